"""Played bars: the road map followed, every measure at its tick."""

from collections.abc import Sequence
from typing import NamedTuple

from generator.chart.layout import LaidBar, Measure
from generator.chart.model import Direction
from generator.chart.roadmap import Play
from generator.clock import ticks

__all__ = ["PlayedMeasure", "PlayedSection", "place"]


class PlayedMeasure(NamedTuple):
    """One measure as it is played, from `start_tick` to `end_tick`.

    `number` counts measures as played, from 0 with a pickup; `first` says that the written bar
    starts here (not at a meter change inside it); `directions` stand at ticks.
    """

    play: Play
    laid: LaidBar
    measure: Measure
    number: int
    start_tick: int
    end_tick: int
    section: int
    first: bool
    directions: tuple[tuple[int, Direction], ...]


class PlayedSection(NamedTuple):
    """One playing of a section: the measures from `first` to `last` (indices, both included)."""

    section: int
    chorus: int
    repeat_pass: int
    first: int
    last: int


def place(
    plays: Sequence[Play],
    bars: Sequence[LaidBar],
    names: Sequence[str],
    *,
    start_tick: int,
    pickup: bool,
) -> tuple[tuple[PlayedMeasure, ...], tuple[PlayedSection, ...]]:
    """Put plays at ticks, one after the other, and gather them in sections."""
    measures: list[PlayedMeasure] = []
    sections: list[PlayedSection] = []
    counts: dict[str, int] = {}
    tick = start_tick
    number = 0 if pickup else 1
    opened: Play | None = None
    first = 0
    spans: list[tuple[int, int, int, int]] = []  # section, chorus, first, end
    for play in plays:
        laid = bars[play.bar]
        if play.starts_section or opened is None:
            if opened is not None:
                spans.append((bars[opened.bar].section, opened.chorus, first, len(measures)))
            opened, first = play, len(measures)
        for position, measure in enumerate(laid.measures):
            length = ticks(measure.length_quarters)
            measures.append(
                PlayedMeasure(
                    play,
                    laid,
                    measure,
                    number,
                    tick,
                    tick + length,
                    len(spans),
                    position == 0,
                    tuple((tick + ticks(at), mark) for at, mark in measure.directions),
                )
            )
            number += 1
            tick += length
    if opened is not None:
        spans.append((bars[opened.bar].section, opened.chorus, first, len(measures)))
    for section, chorus, start, end in spans:
        name = names[section]
        counts[name] = counts.get(name, 0) + 1
        sections.append(PlayedSection(section, chorus, counts[name], start, end - 1))
    return tuple(measures), tuple(sections)
