"""The bass player.

First the rhythm (from the layer's patterns, or one note a beat), cut by the cues of the band;
then the pitches (`bass_line`); then the feel: a note that falls with the kick sounds with it.
"""

import random
from bisect import bisect_left
from functools import lru_cache
from typing import TYPE_CHECKING

from generator.band.arrangement import Note, Part
from generator.band.bass_line import Role, Stroke, line_pitches
from generator.band.cues import read_cues
from generator.band.feel import LIMIT_MS, Groove
from generator.band.pattern import (
    REST,
    Event,
    choose_pattern,
    events_in_bar,
    events_of_bars,
    fitting,
)
from generator.band.pitched import (
    Beat,
    KeylessBeat,
    LineHabits,
    Struck,
    harmonies,
    keyless,
    lay,
    sounding_ends,
    velocities,
    wavers,
)
from generator.clock import TICKS_PER_QUARTER, bar_ticks
from generator.timeline.model import Timeline, TimelineBar

if TYPE_CHECKING:
    from generator.band.pitched_spec import BassLayer, BassSpec
    from generator.band.style import Style

__all__ = ["CHANNEL", "play_bass"]

CHANNEL = 0
DEAD_TICKS = 80
LOUDEST_CHANGE = 14.0

TOKENS: dict[str, Role] = {
    "1": "root", "3": "third", "5": "fifth", "f": "low fifth", "6": "sixth", "7": "seventh",
    "8": "octave", "p": "pedal", "c": "chromatic", "s": "scale", "d": "dominant",
}  # fmt: skip


HABITS = LineHabits(strike="1", fills_rests=True, keeps_pedal=True)


def play_bass(
    timeline: Timeline,
    style: "Style",
    *,
    seed: int,
    kick_ticks: tuple[int, ...],
    groove: Groove | None = None,
) -> Part:
    """Play the bass of a style over a timeline.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
    kick_ticks : tuple of int
        Where the kick sounds, feel included, ascending: notes that share its beat join it.
    groove : Groove, optional
        That of the band, which its players share; the same one is made unless given.

    Raises
    ------
    ValueError
        If the style has no bass.
    """
    spec = style.bass
    if spec is None:
        raise ValueError(f"{style.name} has no bass")
    groove = groove or style.groove(timeline, seed)
    beats = _rhythm(timeline, style, spec, groove, seed)
    keys = _pitches(timeline, beats, spec, random.Random(f"{seed}/bass/line"))
    struck = _struck(keyless(beats), style, groove, kick_ticks, seed)
    notes = (Note(start, end, keys[beat], velocity) for beat, start, end, velocity in struck)
    return Part(
        name="bass",
        channel=CHANNEL,
        program=spec.program,
        notes=tuple(sorted(notes)),
        level_db=spec.level_db,
        pan=spec.pan,
        reverb_send=spec.reverb_send,
    )


# Rhythm


def _rhythm(
    timeline: Timeline, style: "Style", spec: "BassSpec", groove: Groove, seed: int
) -> list[Beat]:
    events = events_of_bars(groove, style, spec.layers, f"{seed}/bass", _bar)
    beats = lay(harmonies(read_cues(timeline, ending=style.ending)), events, HABITS)
    return [_on_the_root(beat) for beat in beats]


def _on_the_root(beat: Beat) -> Beat:
    """Return the beat with the root at the first note of a chord, whatever the pattern says."""
    if not beat.change or beat.character in ("p", "P"):
        return beat
    return beat._replace(character="r" if beat.character == "w" else "1")


def _bar(
    timeline: Timeline,
    style: "Style",
    bar: TimelineBar,
    layer: "BassLayer",
    level: float,
    rng: random.Random,
) -> list[Event]:
    """Return the events of one bar, chords not yet considered."""
    if layer.mode in ("walking", "two"):
        return _walking_bar(bar, layer, rng)
    pattern = choose_pattern(
        timeline,
        bar,
        fitting(layer.patterns, layer.step, style, bar),
        fitting(layer.fills, layer.step, style, bar),
        variation=layer.variation,
        level=level,
        rng=rng,
    )
    if pattern is None:
        events = _plain_bar(bar, level, layer.length)
    else:
        own_bar_ticks = bar_ticks(style.main_meter)
        events = events_in_bar(timeline, bar, pattern, own_bar_ticks, layer.length)
    if layer.mode != "pedal":
        return events
    pedals = {REST: REST, "x": "x", "8": "P"}
    return [event._replace(character=pedals.get(event.character, "p")) for event in events]


def _plain_bar(bar: TimelineBar, level: float, length: float) -> list[Event]:
    """Return a bar for a meter that the style does not know: roots on its beats."""
    onsets = bar.beat_ticks
    if level < 2.5:
        onsets = tuple(tick for i, tick in enumerate(onsets) if i in (0, (len(onsets) + 1) // 2))
    return [Event(tick, "5" if i % 2 else "1", length=length) for i, tick in enumerate(onsets)]


def _walking_bar(bar: TimelineBar, layer: "BassLayer", rng: random.Random) -> list[Event]:
    beats = bar.beat_ticks
    if layer.mode == "two" and len(beats) > 1:
        if len(beats) % 2 == 0:
            beats = beats[::2] if rng.random() > 0.5 * layer.variation else (*beats[::2], beats[-1])
        else:
            beats = (beats[0],) if rng.random() > layer.variation else (beats[0], beats[-1])
        return [Event(tick, "w", length=layer.length) for tick in beats]
    events: list[Event] = []
    for i, tick in enumerate(beats):
        events.append(Event(tick, "w", length=layer.length))
        until = beats[i + 1] if i + 1 < len(beats) else bar.end_tick
        if until - tick == TICKS_PER_QUARTER and rng.random() < layer.skips:
            events.append(Event(tick + TICKS_PER_QUARTER // 2, "x"))
    return events


# Pitches


def _pitches(
    timeline: Timeline, beats: list[Beat], spec: "BassSpec", rng: random.Random
) -> list[int]:
    sounding = [i for i, beat in enumerate(beats) if beat.character != "x"]
    strokes: list[Stroke] = []
    contour, contour_bars = 0.0, -1
    for place, i in enumerate(sounding):
        beat = beats[i]
        after = beats[sounding[place + 1]] if place + 1 < len(sounding) else None
        linked = after is not None and after.start_tick - beat.end_tick <= TICKS_PER_QUARTER // 2
        chord = beat.cue.chord.chord
        assert chord is not None
        walks = beat.character in ("w", "r")
        if walks:
            two_bars = timeline.bar_at(beat.start_tick).index // 2
            if two_bars != contour_bars:
                contour, contour_bars = rng.uniform(-6, 6), two_bars
        role = _walk_role(timeline, beat, after, linked) if walks else _role(beat.character)
        strokes.append(Stroke(role, chord, beat.cue.chord.key, linked, contour))
    found = dict(zip(sounding, line_pitches(strokes, spec, rng), strict=True))
    keys: list[int] = []
    for i in range(len(beats)):  # a dead note lies under the finger that played last
        keys.append(found[i] if i in found else keys[-1])
    return keys


def _role(token: str) -> Role:
    return "pedal octave" if token == "P" else TOKENS[token]


def _walk_role(timeline: Timeline, beat: Beat, after: Beat | None, linked: bool) -> Role:
    if beat.character == "r":
        return "walk root"
    if linked and after is not None and after.change:
        return "walk approach"
    bar = timeline.bar_at(beat.start_tick)
    odd = bar.beat_ticks.index(beat.start_tick) % 2 if beat.start_tick in bar.beat_ticks else 1
    return "walk weak" if odd else "walk strong"


# Feel


@lru_cache(maxsize=4)
def _struck(
    beats: tuple[KeylessBeat, ...],
    style: "Style",
    groove: Groove,
    kick_ticks: tuple[int, ...],
    seed: int,
) -> tuple[Struck, ...]:
    """Return where the beats sound, by number, and how loud."""
    spec, timeline = style.bass, groove.timeline
    assert spec is not None
    starts = [_onset(beat.start_tick, groove, kick_ticks) for beat in beats]
    found: list[Struck] = []
    human = wavers(f"{seed}/bass/touch", tuple(beat.start_tick for beat in beats))
    for i, beat in enumerate(beats):
        start = starts[i]
        dead = beat.character == "x"
        (end,) = sounding_ends(groove, beat, (start,), beat.end_tick)
        length = DEAD_TICKS if dead else end - start
        if i + 1 < len(starts):
            length = min(length, starts[i + 1] - start)
        if length <= 0:
            continue
        change = min(LOUDEST_CHANGE, max(-LOUDEST_CHANGE, 3 * human[i]))
        change += spec.accent if beat.accent else 0
        if beat.start_tick == timeline.bar_at(beat.start_tick).start_tick:
            change += 4
        level = timeline.level_at(beat.start_tick)
        (velocity,) = velocities(spec, level, (change - 30 if dead else change,))
        found.append((i, start, start + length, velocity))
    return tuple(found)


def _onset(tick: int, groove: Groove, kick_ticks: tuple[int, ...]) -> int:
    """Return where a note sounds: with the kick that shares its beat, else by its own feel."""
    grid = groove.warp(tick)
    reach = groove.ticks_of_ms(LIMIT_MS, tick) + 1
    i = bisect_left(kick_ticks, grid - reach)
    if i < len(kick_ticks) and kick_ticks[i] <= grid + reach:
        return kick_ticks[i]
    return groove.strike("bass", tick)
