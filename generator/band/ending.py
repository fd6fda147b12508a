"""How a style ends a track that its chart does not end: the slowing down before the last chord."""

from dataclasses import replace
from fractions import Fraction

from generator.band.cues import read_cues
from generator.clock import TICKS_PER_QUARTER, Clock, TempoPoint
from generator.timeline.model import TempoMark, Timeline

__all__ = ["slowed_ending"]

SLOWEST = Fraction(3, 4)
"""Share of the tempo at the last chord. Common practice, no source; a "rit." in a chart goes
further, because somebody asked for it."""

STEP_TICKS = TICKS_PER_QUARTER // 2


def slowed_ending(timeline: Timeline) -> Timeline:
    """Slow the clock from the bar before the last chord on, step by step on each eighth.

    A timeline whose chart has a word about tempo in its last two bars, or that does not end with
    a chord to hold, is returned as it is.
    """
    if not timeline.bars:
        return timeline
    last = read_cues(timeline).cues[-1]
    start = timeline.bar_at(timeline.bar_at(last.start_tick).start_tick - 1).start_tick
    if not last.final or last.chord.articulation or start >= last.start_tick:
        return timeline
    if any(mark.tick >= start for mark in timeline.tempo_marks):
        return timeline
    before = [point for point in timeline.clock.tempos if point.tick < start]
    us_per_quarter = (
        before[-1].us_per_quarter if before else timeline.clock.tempos[0].us_per_quarter
    )
    steps = max(1, (last.start_tick - start) // STEP_TICKS)
    slow = []
    for i in range(steps + 1):
        speed = 1 - (1 - SLOWEST) * Fraction(i, steps)
        tick = start + i * STEP_TICKS if i < steps else last.start_tick
        slow.append(TempoPoint(tick, round(us_per_quarter / speed)))
    return replace(
        timeline,
        clock=Clock((*before, *slow)),
        tempo_marks=(*timeline.tempo_marks, TempoMark(start, "rit.")),
    )
