"""What bass, pad and comp share: strokes under the chords and cues of the band, touch, length."""

from bisect import bisect_left
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from generator.band.cues import Cue, Cues
from generator.band.feel import LIMIT_MS, Groove
from generator.band.pattern import ABSENT, HOLD, REST, RESTS, Event

if TYPE_CHECKING:
    from generator.band.pitched_spec import PitchedSpec

__all__ = ["LENGTH_STEP_TICKS", "Beat", "LineHabits", "harmonies", "lay", "sounding_end", "touch"]

LENGTH_STEP_TICKS = 40
SHORTEST_TICKS = 120
VELOCITY_STEP = 4
"""Velocities are multiples of this: the ear cannot tell, and the renderer meets fewer notes."""


class Beat(NamedTuple):
    """One stroke of a part on the straight grid, before it has pitches.

    It is written from `start_tick` to `end_tick` and sounds `length` (0 to 1) of that; `change`
    marks the first stroke of a chord.
    """

    start_tick: int
    end_tick: int
    character: str
    accent: bool
    cue: Cue
    length: float
    change: bool


class LineHabits(NamedTuple):
    """How a part meets the chords.

    `strike` is the character of a plain stroke: what is played at hits, held chords and pushes,
    and where a chord changes under a tied note. With `fills_rests` a change in a rest is struck,
    too; with `keeps_pedal` a pedal (`p`) goes on where the chord changes.
    """

    strike: str
    fills_rests: bool = False
    keeps_pedal: bool = False


def harmonies(cues: Cues) -> Cues:
    """Return the cues with those made one through which the same chord goes on.

    A bar that repeats the chord before it (`%`, or the symbol once more) is no change to a player
    who holds it; a push or a cue of another kind stays its own.
    """
    found: list[Cue] = []
    for cue in cues.cues:
        last = found[-1] if found else None
        if (
            last is not None
            and last.kind == cue.kind == "groove"
            and last.chord.kind == cue.chord.kind
            and last.chord.chord == cue.chord.chord
            and not cue.pushed
        ):
            found[-1] = last._replace(end_tick=cue.end_tick, release_tick=cue.release_tick)
        else:
            found.append(cue)
    return Cues(tuple(found))


def lay(cues: Cues, events: Sequence[Event], habits: LineHabits) -> list[Beat]:
    """Lay the events of the patterns under the chords and cues of the band.

    Parameters
    ----------
    cues : Cues
    events : sequence of Event
        Of the whole track, in order.
    habits : LineHabits

    Returns
    -------
    list of Beat
        Only the strokes; none in silence or N.C., none struck twice after a push.
    """
    onsets = [event.tick for event in events]
    beats: list[Beat] = []
    before: Cue | None = None
    for cue in cues.cues:
        change = before is None or before.chord.chord != cue.chord.chord or cue.pushed
        before = cue
        if not cue.pitched or cue.kind == "silent":
            continue
        first = bisect_left(onsets, cue.start_tick)
        state = events[first - 1] if first else None
        if cue.kind == "groove":
            inside = events[first : bisect_left(onsets, cue.end_tick)]
            beats.extend(_under_chord(cue, inside, state, change, habits))
            continue
        here = events[first] if first < len(onsets) and onsets[first] == cue.start_tick else state
        if here is None or here.character != ABSENT:
            length = 1.0 if cue.kind == "hold" else 0.8
            until = cue.release_tick
            beats.append(Beat(cue.start_tick, until, habits.strike, True, cue, length, change))
    return beats


def _under_chord(
    cue: Cue,
    events: Sequence[Event],
    state: Event | None,
    change: bool,
    habits: LineHabits,
) -> list[Beat]:
    """Return the strokes while one chord sounds; `state` is the last event before it."""
    start = cue.start_tick
    own = next((event for event in events if event.tick == start and not cue.pushed), None)
    free = [
        event
        for event in events
        if event.character != HOLD
        and (cue.opens(event.tick) or (event.character in RESTS and event.tick > cue.written_tick))
    ]
    at_start = free[0] if free and free[0].tick == start else None
    now = own or state
    absent = now is not None and now.character == ABSENT
    resting = now is not None and now.character == REST
    strikes = any(event.character not in RESTS for event in free)
    if cue.pushed or not strikes:
        add = True
    elif at_start is not None:
        add = False
    else:
        add = not resting or (change and habits.fills_rests)
    if add and not absent:
        pedal = habits.keeps_pedal and any(event.character == "p" for event in events)
        length = (events or [now or Event(start, REST)])[0].length
        free = [event for event in free if event.tick > start]
        character = "p" if pedal else habits.strike
        free.insert(0, Event(start, character, cue.pushed, length))
    beats: list[Beat] = []
    ends = [*(event.tick for event in free), cue.end_tick][1:]
    for event, end in zip(free, ends, strict=True):
        if event.character not in RESTS:
            first = change and not beats
            beats.append(
                Beat(event.tick, end, event.character, event.accent, cue, event.length, first)
            )
    return beats


def sounding_end(groove: Groove, beat: Beat, start_tick: int, end_tick: int) -> int:
    """Return where a note that starts at `start_tick` ends, feel included.

    It sounds the share `beat.length` of what is written up to `end_tick` on the grid, and never
    into what follows; lengths are multiples of 40 ticks, so that the renderer meets few notes.
    """
    end = groove.warp(end_tick)
    written = end - groove.warp(beat.start_tick)
    if beat.cue.final:  # it rings for all that is written, however late it starts
        return start_tick + written + -written % LENGTH_STEP_TICKS
    length = int(written * beat.length)
    length = min(length, end - groove.ticks_of_ms(LIMIT_MS, beat.start_tick) - start_tick)
    if length > SHORTEST_TICKS:
        length -= length % LENGTH_STEP_TICKS
    return start_tick + max(1, length)


def touch(spec: "PitchedSpec", level: float, change: float = 0.0, step: int = VELOCITY_STEP) -> int:
    """Return the velocity at a level (0 to 5), `change` added, as a multiple of `step`."""
    soft, loud = spec.velocity
    velocity = soft + (loud - soft) * min(5.0, max(0.0, level)) / 5 + change
    return max(8, min(124, step * round(velocity / step)))
