"""Patterns of the pitched players, from a string to events in the bars of a track.

An *event* stands on the straight grid: (tick, character, accent). A note lasts to the next event,
so `=` needs none inside a pattern, and a `-` that ends a note is an event of its own.
"""

import random
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, Protocol, TypeVar

from generator.chart.model import DYNAMICS
from generator.clock import bar_ticks, ticks
from generator.timeline.model import Timeline, TimelineBar

if TYPE_CHECKING:
    from generator.band.feel import Groove
    from generator.band.style import Style

__all__ = [
    "ABSENT",
    "HOLD",
    "REST",
    "RESTS",
    "Event",
    "Pattern",
    "choose_pattern",
    "events_in_bar",
    "events_of_bars",
    "fitting",
    "layer_at",
    "read_pattern",
]

PHRASE_BARS = 4

REST = "-"
ABSENT = "."
"""The event that stands where a part has no layer: it is silent even in hits and held chords."""

HOLD = "="
"""The event that stands where a bar holds on to what the last one struck."""

RESTS = (REST, ABSENT)


class HasMark(Protocol):
    """A layer that holds from a dynamic mark upwards."""

    @property
    def from_(self) -> str: ...


LayerT = TypeVar("LayerT", bound=HasMark)


class Event(NamedTuple):
    """Something that happens at `tick` ticks from the start of the pattern, or of the track."""

    tick: int
    character: str
    accent: bool = False
    length: float = 0.95


class Pattern(NamedTuple):
    """A pattern read: its events in order, and its length in ticks."""

    events: tuple[Event, ...]
    length_ticks: int


def layer_at(layers: Sequence[LayerT], level: float) -> LayerT | None:
    """Return the layer that plays at a level (0 pp to 5 ff), None where the part is silent."""
    mark = int(level + 0.5)
    found, reached = None, -1
    for layer in layers:
        index = DYNAMICS.index(layer.from_)
        if reached < index <= mark:
            found, reached = layer, index
    return found


@lru_cache(maxsize=8)
def events_of_bars(
    groove: "Groove",
    style: "Style",
    layers: tuple[LayerT, ...],
    seed: str,
    play_bar: Callable[
        [Timeline, "Style", TimelineBar, LayerT, float, random.Random], Iterable[Event]
    ],
) -> tuple[Event, ...]:
    """Return the events of a part, bar by bar: once for all keys, since no chord matters yet.

    `play_bar` gets the bar, the layer that plays at its level, the level, and randomness of the
    bar's own, so that a change in one bar leaves the others alone.
    """
    timeline = groove.timeline
    events: list[Event] = []
    rng = random.Random(0)
    for bar in timeline.bars:
        level = timeline.level_at(bar.start_tick)
        layer = layer_at(layers, level)
        if layer is None:
            events.append(Event(bar.start_tick, ABSENT))
        else:
            rng.seed(f"{seed}/{bar.index}")
            events.extend(play_bar(timeline, style, bar, layer, level, rng))
    return tuple(events)


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
    own_ticks = bar.end_tick - bar.start_tick
    in_meter = bar_ticks(bar.meter)
    times = max(1, -(-in_meter // own_bar_ticks))
    offset = number * times * own_bar_ticks % pattern.length_ticks
    if own_ticks < in_meter:
        offset += times * own_bar_ticks - own_ticks
    events: list[Event] = []
    place = bar.start_tick - offset
    while place < bar.end_tick:
        for event in pattern.events:
            tick = place + event.tick
            if bar.start_tick <= tick < bar.end_tick:
                events.append(Event(tick, event.character, event.accent, length))
        place += pattern.length_ticks
    return events
