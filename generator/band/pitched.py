"""What bass, pad and comp share: strokes under the chords and cues of the band, touch, length."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from generator.band.cues import Cue, Cues
from generator.band.drawn import ONE_SIGMA, key_of, near_normal
from generator.band.feel import LIMIT_MS, Groove
from generator.band.pattern import ABSENT, HOLD, REST, RESTS, Event

if TYPE_CHECKING:
    from generator.band.pitched_spec import PitchedSpec

__all__ = [
    "LENGTH_STEP_TICKS",
    "Beat",
    "KeylessBeat",
    "LineHabits",
    "Struck",
    "harmonies",
    "keyless",
    "lay",
    "sounding_ends",
    "velocities",
    "wavers",
]

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


class KeylessBeat(NamedTuple):
    """All of a beat but its chord: when and how loud it is struck depends on nothing else.

    The keys of a pack have it in common, so that each player works that out once for all of them.
    """

    start_tick: int
    end_tick: int
    character: str
    accent: bool
    length: float
    cue_start_tick: int
    cue_end_tick: int
    written_tick: int
    final: bool


Struck = tuple[int, int, int, int]
"""How a voice of a beat sounds, whatever its pitch: its number, start, end and velocity."""


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
    opening = events[0] if events else None
    own = opening if opening and opening.tick == start and not cue.pushed else None
    silent_to = cue.written_tick if cue.pushed else start - 1
    free = [event for event in events if event.character != HOLD and event.tick > silent_to]
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


def keyless(beats: Sequence[Beat]) -> tuple[KeylessBeat, ...]:
    """Return the beats without their chords."""
    return tuple(
        [
            KeylessBeat(
                start, end, character, accent, length,
                cue.start_tick, cue.end_tick, cue.written_tick, cue.final,
            )
            for start, end, character, accent, cue, length, _ in beats
        ]
    )  # fmt: skip


def sounding_ends(
    groove: Groove, beat: KeylessBeat, starts: Sequence[int], end_tick: int
) -> list[int]:
    """Return where the notes of a beat that start at `starts` end, feel included.

    They sound the share `beat.length` of what is written up to `end_tick` on the grid, and never
    into what follows; lengths are multiples of 40 ticks, so that the renderer meets few notes.
    """
    end = groove.warp(end_tick)
    written = end - groove.warp(beat.start_tick)
    if beat.final:  # it rings for all that is written, however late it starts
        return [start + written + -written % LENGTH_STEP_TICKS for start in starts]
    longest = int(written * beat.length)
    latest = end - groove.ticks_of_ms(LIMIT_MS, beat.start_tick)
    ends = []
    for start in starts:
        length = min(longest, latest - start)
        if length > SHORTEST_TICKS:
            length -= length % LENGTH_STEP_TICKS
        ends.append(start + max(1, length))
    return ends


@lru_cache(maxsize=8)
def wavers(seed: str, ticks: tuple[int, ...]) -> tuple[float, ...]:
    """Return how far each touch strays from what was meant: of standard deviation 1."""
    key = key_of(seed)
    return tuple([near_normal(key, tick) / ONE_SIGMA for tick in ticks])


def velocities(
    spec: "PitchedSpec", level: float, changes: Iterable[float], step: int = VELOCITY_STEP
) -> list[int]:
    """Return the velocity at a level (0 to 5) with each change added, as multiples of `step`."""
    soft, loud = spec.velocity
    meant = soft + (loud - soft) * min(5.0, max(0.0, level)) / 5
    return [max(8, min(124, step * round((meant + change) / step))) for change in changes]
