"""What holds at each written bar: key, tempo, dynamic, stop-time, as the text says in its order.

When the music goes back (a repeat, a jump, a chorus, a form), everything that was written for the
bar it goes back to holds again: a second chorus starts in the first key and the first tempo.
A pickup without a section of its own is as loud as the section that it leads into.
"""

from collections.abc import Iterable
from fractions import Fraction
from typing import NamedTuple

from generator.chart.layout import LaidBar
from generator.chart.meter import Tempo
from generator.chart.model import DYNAMICS, Chart, Direction
from generator.harmony.key import Key

__all__ = ["DEFAULT_LEVEL", "Standing", "standings"]

DEFAULT_LEVEL = DYNAMICS.index("mf")
"""The dynamic level of a chart that gives none."""


class Standing(NamedTuple):
    """What holds where a written bar starts. `stopped` is stop-time, which ends with a section."""

    key: Key
    tempo: Tempo
    level: int
    stopped: bool = False


def standings(chart: Chart, bars: Iterable[LaidBar]) -> tuple[Standing, ...]:
    """Return what holds at the start of every written bar, its own signs not yet counted."""
    key, tempo, level, stopped = chart.key, chart.tempo, _opening_level(chart), False
    swelling = 0
    section = -1
    found = []
    for laid in bars:
        if laid.section != section:
            section, stopped = laid.section, False
            mark = chart.sections[section].dynamic
            level = DYNAMICS.index(mark) if mark else _after(level, swelling)
            swelling = 0
        found.append(Standing(key, tempo, level, stopped))
        for _, direction in _directions(laid):
            if direction.kind == "key" and direction.key is not None:
                key = direction.key
            elif direction.kind == "tempo" and direction.tempo is not None:
                tempo = direction.tempo
            elif direction.kind == "dynamic" and direction.dynamic is not None:
                level, swelling = DYNAMICS.index(direction.dynamic), 0
            elif direction.kind in ("cresc", "dim"):
                level = _after(level, swelling)
                swelling = 1 if direction.kind == "cresc" else -1
            elif direction.kind == "stop-time":
                stopped = True
    return tuple(found)


def _opening_level(chart: Chart) -> int:
    mark = None
    if chart.pickup_beats and len(chart.sections) > 1 and not chart.sections[0].name:
        mark = chart.sections[1].dynamic
    return DYNAMICS.index(mark) if mark else DEFAULT_LEVEL


def _after(level: int, change: int) -> int:
    return max(0, min(len(DYNAMICS) - 1, level + change))


def _directions(laid: LaidBar) -> Iterable[tuple[Fraction, Direction]]:
    for measure in laid.measures:
        yield from measure.directions
