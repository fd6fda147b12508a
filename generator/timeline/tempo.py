"""Tempos of a track: metronome marks, gradual changes and fermatas as whole microseconds.

* A metronome mark holds until the next one; "a tempo" returns to the last.
* "rit." slows down, step by step on each eighth, to `RIT_SHARE` of the tempo; "accel." speeds up to
  `ACCEL_SHARE` of it. The change ends at the next word about tempo, or with the section; then the
  tempo is the old one again. If the next word is a metronome mark in the same direction, the
  change leads to it. (The proportions are ours; common practice gives none.)
* Under a fermata the clock runs at `FERMATA_SHARE` of the tempo: the chord lasts twice as long.
"""

from collections.abc import Sequence
from fractions import Fraction
from typing import Literal, NamedTuple

from generator.clock import TICKS_PER_QUARTER, TempoPoint, microseconds_per_quarter

__all__ = ["ACCEL_SHARE", "FERMATA_SHARE", "RIT_SHARE", "TempoEvent", "tempo_points"]

RIT_SHARE = Fraction(2, 3)
ACCEL_SHARE = Fraction(4, 3)
FERMATA_SHARE = Fraction(1, 2)

_STEP_TICKS = TICKS_PER_QUARTER // 2
_MAX_STEPS = 256
"""A longer change takes longer steps."""


class TempoEvent(NamedTuple):
    """Something about the tempo at a tick.

    `mark` sets `quarter_bpm`; "rit" and "accel" start a gradual change; "a-tempo" and "end" (of a
    section) stop one.
    """

    tick: int
    kind: Literal["mark", "rit", "accel", "a-tempo", "end"]
    quarter_bpm: Fraction = Fraction(0)


def tempo_points(
    events: Sequence[TempoEvent],
    fermatas: Sequence[tuple[int, int]],
    end_tick: int,
) -> tuple[TempoPoint, ...]:
    """Return the tempos of a track, each in whole microseconds a quarter.

    Parameters
    ----------
    events : sequence of TempoEvent
        In order of tick; the first a mark at tick 0.
    fermatas : sequence of (int, int)
        Stretches in ticks, in order, not overlapping.
    end_tick : int
        The end of the music.
    """
    speeds: list[tuple[int, Fraction]] = []
    current = Fraction(120)
    for i, event in enumerate(events):
        if event.kind == "mark":
            current = event.quarter_bpm
        if event.kind in ("rit", "accel"):
            following = events[i + 1] if i + 1 < len(events) else TempoEvent(end_tick, "end")
            speeds += _ramp(event, following, current, end_tick)
        else:
            speeds.append((event.tick, current))
    return tuple(point for point in _held(_merged(speeds), fermatas) if point.tick < end_tick)


def _ramp(
    event: TempoEvent, following: TempoEvent, current: Fraction, end_tick: int
) -> list[tuple[int, Fraction]]:
    stop = min(following.tick, end_tick)
    goal = current * (RIT_SHARE if event.kind == "rit" else ACCEL_SHARE)
    if following.kind == "mark" and (following.quarter_bpm < current) == (event.kind == "rit"):
        goal = following.quarter_bpm
    eighths = -(-(stop - event.tick) // _STEP_TICKS)
    if eighths <= 0:
        return [(event.tick, current)]
    step = _STEP_TICKS * -(-eighths // _MAX_STEPS)
    count = -(-(stop - event.tick) // step)
    # The first step is slower already, the last one has arrived.
    return [
        (event.tick + i * step, current + (goal - current) * Fraction(i + 1, count))
        for i in range(count)
    ]


def _merged(speeds: list[tuple[int, Fraction]]) -> list[tuple[int, Fraction]]:
    """Keep the last of several speeds at one tick, and only changes."""
    kept: list[tuple[int, Fraction]] = []
    for tick, speed in speeds:
        if kept and kept[-1][0] == tick:
            kept.pop()
        if not kept or kept[-1][1] != speed:
            kept.append((tick, speed))
    return kept


def _held(
    speeds: list[tuple[int, Fraction]], fermatas: Sequence[tuple[int, int]]
) -> tuple[TempoPoint, ...]:
    changes = dict(speeds)
    ticks_of = sorted({*changes, *(tick for pair in fermatas for tick in pair)})
    points: list[TempoPoint] = []
    current, f = speeds[0][1], 0
    for tick in ticks_of:
        current = changes.get(tick, current)
        while f < len(fermatas) and fermatas[f][1] <= tick:
            f += 1
        held = f < len(fermatas) and fermatas[f][0] <= tick
        us = microseconds_per_quarter(current * FERMATA_SHARE if held else current)
        if not points or points[-1].us_per_quarter != us:
            points.append(TempoPoint(tick, us))
    return tuple(points)
