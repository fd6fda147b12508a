"""What the pitched players share: layers, touch, and patterns laid over the bars.

A pattern becomes *events* on the straight grid: (tick, character, accent). A note lasts to the
next event, so `=` needs none, and a `-` that ends a note is an event of its own.
"""

import random
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Protocol, TypeVar

from generator.band.cues import Cue, Cues
from generator.band.feel import LIMIT_MS, Groove
from generator.chart.model import DYNAMICS
from generator.clock import ticks
from generator.timeline.model import Timeline, TimelineBar

if TYPE_CHECKING:
    from generator.band.pitched_spec import PitchedSpec
    from generator.band.style import Style

__all__ = [
    "ABSENT",
    "HOLD",
    "REST",
    "Beat",
    "Event",
    "LineHabits",
    "Pattern",
    "choose_pattern",
    "events_in_bar",
    "fitting",
    "harmonies",
    "lay",
    "layer_at",
    "read_pattern",
    "sounding_end",
    "touch",
]

LENGTH_STEP_TICKS = 40
SHORTEST_TICKS = 120
VELOCITY_STEP = 4
"""Velocities are multiples of this: the ear cannot tell, and the renderer meets fewer notes."""

PHRASE_BARS = 4


class HasMark(Protocol):
    """A layer that holds from a dynamic mark upwards."""

    @property
    def from_(self) -> str: ...


LayerT = TypeVar("LayerT", bound=HasMark)


REST = "-"
ABSENT = "."
"""The event that stands where a part has no layer: it is silent even in hits and held chords."""

HOLD = "="
"""The event that stands where a bar holds on to what the last one struck."""

RESTS = (REST, ABSENT)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens at `tick` ticks from the start of the pattern, or of the track."""

    tick: int
    character: str
    accent: bool = False
    length: float = 0.95


@dataclass(frozen=True, slots=True)
class Beat:
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


@dataclass(frozen=True, slots=True)
class LineHabits:
    """How a part meets the chords.

    `strike` is the character of a plain stroke: what is played at hits, held chords and pushes,
    and where a chord changes under a tied note. With `fills_rests` a change in a rest is struck,
    too; with `keeps_pedal` a pedal (`p`) goes on where the chord changes.
    """

    strike: str
    fills_rests: bool = False
    keeps_pedal: bool = False


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern read: its events in order, and its length in ticks."""

    events: tuple[Event, ...]
    length_ticks: int


def layer_at(layers: Sequence[LayerT], level: float) -> LayerT | None:
    """Return the layer that plays at a level (0 pp to 5 ff), None where the part is silent."""
    mark = int(level + 0.5)
    found = [layer for layer in layers if DYNAMICS.index(layer.from_) <= mark]
    return max(found, key=lambda layer: DYNAMICS.index(layer.from_)) if found else None


def touch(spec: "PitchedSpec", level: float, change: float = 0.0) -> int:
    """Return the velocity at a level (0 to 5), `change` added, as a multiple of 4."""
    soft, loud = spec.velocity
    velocity = soft + (loud - soft) * min(5.0, max(0.0, level)) / 5 + change
    return max(8, min(124, VELOCITY_STEP * round(velocity / VELOCITY_STEP)))


@lru_cache(maxsize=1024)
def read_pattern(pattern: str, step: str) -> Pattern:
    """Read a pattern string whose characters last a `step` each.

    >>> [(e.tick, e.character, e.accent) for e in read_pattern("1=-- | P=!53", "eighth").events]
    [(0, '1', False), (960, '-', False), (1920, 'p', True), (2880, '5', True), (3360, '3', False)]
    """
    from generator.band.pitched_spec import STEP_QUARTERS

    events: list[Event] = []
    place, accent, sounding = 0, False, True
    for character in pattern:
        if character in " |":
            continue
        if character == "!":
            accent = True
            continue
        tick = ticks(place * STEP_QUARTERS[step])
        if character == "-":
            if sounding:
                events.append(Event(tick, "-"))
            sounding = False
        elif character != "=":
            loud = accent or character.isupper()
            events.append(Event(tick, character.lower(), loud))
            sounding = True
        place += 1
        accent = False
    return Pattern(tuple(events), ticks(place * STEP_QUARTERS[step]))


def fitting(
    patterns: Sequence[str], step: str, style: "Style", bar: TimelineBar
) -> tuple[Pattern, ...]:
    """Return the patterns that a bar may play: none where the style does not know its meter."""
    if style.plays_any_meter or not style.plays(bar.meter):
        return ()
    return tuple(read_pattern(pattern, step) for pattern in patterns)


def choose_pattern(
    timeline: Timeline,
    bar: TimelineBar,
    patterns: Sequence[Pattern],
    fills: Sequence[Pattern],
    *,
    variation: float,
    level: float,
    rng: random.Random,
) -> Pattern | None:
    """Choose what a bar plays: the first pattern as a rule, a variant now and then.

    Variants fall most often into the fourth bar of four; `fills` only into the last bar of a
    phrase, and more often the louder it is.
    """
    chance = rng.random()
    if not patterns:
        return None
    if fills and bar.ends_phrase and chance < 0.4 + 0.1 * level:
        return rng.choice(fills)
    place = bar.index - timeline.sections[bar.section].first_bar
    likely = variation * (1.8 if place % PHRASE_BARS == PHRASE_BARS - 1 else 0.7)
    if len(patterns) > 1 and rng.random() < likely:
        return rng.choice(patterns[1:])
    return patterns[0]


def events_in_bar(
    timeline: Timeline, bar: TimelineBar, pattern: Pattern, own_bar_ticks: int, length: float
) -> list[Event]:
    """Return the events that a pattern has in a bar, at ticks of the track.

    `own_bar_ticks` is the length of a bar of the style's first meter, in which the pattern is
    written. A pattern of several bars is counted from the start of the section. A longer bar
    plays several bars of the pattern, a shorter one the first beats, a pickup the last ones.
    """
    number = bar.index - timeline.sections[bar.section].first_bar
    bar_ticks = bar.end_tick - bar.start_tick
    in_meter = ticks(bar.meter.bar_quarters)
    times = max(1, -(-in_meter // own_bar_ticks))
    offset = number * times * own_bar_ticks % pattern.length_ticks
    if bar_ticks < in_meter:
        offset += times * own_bar_ticks - bar_ticks
    events: list[Event] = []
    place = bar.start_tick - offset
    while place < bar.end_tick:
        for event in pattern.events:
            tick = place + event.tick
            if bar.start_tick <= tick < bar.end_tick:
                events.append(Event(tick, event.character, event.accent, length))
        place += pattern.length_ticks
    return events


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
            found[-1] = replace(last, end_tick=cue.end_tick, release_tick=cue.release_tick)
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
    if beat.cue.final:  # it rings for all that is written, however late it starts
        written = end - groove.warp(beat.start_tick)
        return start_tick + written + -written % LENGTH_STEP_TICKS
    length = int((end - groove.warp(beat.start_tick)) * beat.length)
    length = min(length, end - groove.ticks_of_ms(LIMIT_MS, beat.start_tick) - start_tick)
    if length > SHORTEST_TICKS:
        length -= length % LENGTH_STEP_TICKS
    return start_tick + max(1, length)
