"""A long track: the band learns some choruses, and plays them again and again.

Nobody notices that what was heard five minutes ago comes again, and what comes again need not be
made anew: neither here nor where it is turned into sound. The band plays a track of a few choruses;
then a stretch of it, a *cycle*, is repeated until the track is as long as it should be.

A cycle begins and ends at bars (its *seam*) where the players do the same, so that the end of it
leads to its beginning as well as to what came next: the same notes ring over the bar line, and what
is struck first has the same pitches.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import ceil
from typing import NamedTuple

from generator.band.arrangement import Arrangement, Control, Cycle, Note, Part
from generator.band.cues import Cues
from generator.band.fade import EXPRESSION
from generator.clock import TICKS_PER_QUARTER, Clock
from generator.timeline.cut import chorus_starts, comes_round, without_choruses
from generator.timeline.model import Timeline

__all__ = ["Rehearsal", "Stretch", "find_seam", "played_on", "rehearsal", "spliced"]

LEAST_CYCLE_S = 300
LEAST_CHORUSES = 2
EARLY_S = 0.04
"""How far before its beat a note may start: feel, and half of a strum."""

RINGS_QUARTERS = 64
"""For how long a note may have been ringing."""

DRUM_CHANNEL = 9


class Rehearsal(NamedTuple):
    """What the band has to learn for a long track.

    `timeline` is the track with fewer choruses; from somewhere in its second one on, `cycle_ticks`
    are to be repeated `more` times.
    """

    timeline: Timeline
    cycle_ticks: int
    more: int


class Stretch(NamedTuple):
    """From `start_tick` to `end_tick`, moved to `at_tick`; the end is open if None."""

    start_tick: int
    end_tick: int | None
    at_tick: int


def rehearsal(timeline: Timeline) -> Rehearsal | None:
    """Return what is to be learnt for a track; None if it is too short or its choruses differ."""
    if not comes_round(timeline):
        return None
    second, third = (timeline.bars[i].start_tick for i in chorus_starts(timeline)[1:3])
    chorus_s = timeline.clock.seconds(third) - timeline.clock.seconds(second)
    choruses = max(LEAST_CHORUSES, ceil(LEAST_CYCLE_S / chorus_s))
    # The first one, the last one, and some in which a seam is looked for.
    others = 2 + max(2, choruses // 2)
    more = (timeline.choruses - others) // choruses - 1
    if more < 1:
        return None
    last = timeline.choruses - 1
    learnt = without_choruses(timeline, last - choruses * more + 1, last)
    return Rehearsal(learnt, choruses * (third - second), more)


def find_seam(
    timeline: Timeline, cues: Cues, parts: Iterable[Part], cycle_ticks: int
) -> int | None:
    """Return the first bar line at which a cycle may begin; None if there is none.

    Parameters
    ----------
    timeline : Timeline
        What the band has played; see `Rehearsal`.
    cues : Cues
    parts : iterable of Part
        Drums do not matter: they hold no note.
    cycle_ticks : int
    """
    pitched = [_Line(part) for part in parts if part.channel != DRUM_CHANNEL]
    starts = chorus_starts(timeline)
    last_tick = timeline.bars[starts[-2]].start_tick
    for bar in timeline.bars[starts[1] :]:
        tick, again = bar.start_tick, bar.start_tick + cycle_ticks
        if again >= last_tick:
            return None
        cue = cues.at(tick)
        if cue.kind != "groove" or cue.written_tick > tick:
            continue
        early, beat = _early_ticks(timeline.clock, tick), bar.beat_ticks[:2][-1] - tick
        if all(
            line.around(tick, early, beat) == line.around(again, early, beat) for line in pitched
        ):
            return tick - early
    return None


def _early_ticks(clock: Clock, tick: int) -> int:
    """Return how far before a bar line its first notes may start."""
    return clock.tick(clock.seconds(tick) + EARLY_S) - tick


class _Line:
    """What a part plays around bar lines."""

    def __init__(self, part: Part) -> None:
        self._notes = tuple(part.notes)
        self._starts = [note.start_tick for note in self._notes]

    def around(
        self, tick: int, early: int, beat: int
    ) -> tuple[frozenset[tuple[int, int]], frozenset[int]]:
        """Return what rings over a bar line, as (pitch, end), and what its first beat strikes."""
        begins, ends = tick - early, tick + beat - early
        longest = RINGS_QUARTERS * TICKS_PER_QUARTER
        before, first, after = (
            bisect_left(self._starts, x) for x in (begins - longest, begins, ends)
        )
        ringing = frozenset(
            (note.pitch, note.end_tick - tick)
            for note in self._notes[before:first]
            if note.end_tick > tick
        )
        return ringing, frozenset(note.pitch for note in self._notes[first:after])


def played_on(arrangement: Arrangement, seam_tick: int, learnt: Rehearsal) -> Arrangement:
    """Return a long track: what the band has learnt, with the cycle behind `seam_tick` repeated."""
    times, end_tick = learnt.more + 1, seam_tick + learnt.cycle_ticks
    stretches = (
        Stretch(0, end_tick, 0),
        *(
            Stretch(seam_tick, end_tick, seam_tick + n * learnt.cycle_ticks)
            for n in range(1, times)
        ),
        Stretch(end_tick, None, seam_tick + times * learnt.cycle_ticks),
    )
    return replace(
        arrangement,
        parts=tuple(spliced(part, stretches) for part in arrangement.parts),
        cycle=Cycle(seam_tick, end_tick, times),
    )


def spliced(part: Part, stretches: Sequence[Stretch]) -> Part:
    """Return a part made of stretches of itself, in order of `at_tick`.

    Notes and controllers belong to the stretch in which they start. Where one begins, expression is
    set to what it stood at there; a note that rings into it ends where its key is struck again.
    """
    notes, starts = tuple(part.notes), [note.start_tick for note in part.notes]
    control_ticks = [control.tick for control in part.controls]
    made: list[Note] = []
    controls: list[Control] = []
    for start, end, at in stretches:
        first, last = (len(starts) if x is None else bisect_left(starts, x) for x in (start, end))
        moved = at - start
        fresh = [Note(a + moved, b + moved, *more) for a, b, *more in notes[first:last]]
        _end_what_is_struck_again(made, fresh, at)
        made += fresh
        first, last = (
            len(control_ticks) if x is None else bisect_left(control_ticks, x) for x in (start, end)
        )
        value, held = _expression(controls), _expression(part.controls[:first])
        if value != held:
            controls.append(Control(at, EXPRESSION, held))
        controls += [
            Control(tick + moved, number, to) for tick, number, to in part.controls[first:last]
        ]
    return replace(part, notes=tuple(made), controls=tuple(controls))


def _end_what_is_struck_again(before: list[Note], behind: Sequence[Note], tick: int) -> None:
    """Shorten notes of `before`, in place, that last longer than `behind` allows."""
    i = len(before)
    longest = RINGS_QUARTERS * TICKS_PER_QUARTER
    while i and before[i - 1].start_tick > tick - longest:
        i -= 1
        note = before[i]
        if note.end_tick > tick:
            again = next((n.start_tick for n in behind if n.pitch == note.pitch), note.end_tick)
            before[i] = note._replace(end_tick=min(note.end_tick, again))


def _expression(controls: Sequence[Control]) -> int:
    """Return what expression stands at behind some controllers."""
    values = (control.value for control in reversed(controls) if control.number == EXPRESSION)
    return next(values, 127)
