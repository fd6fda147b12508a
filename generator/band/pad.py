"""The pad: held or restruck chords, led from voicing to voicing by the smoothest way.

A held chord breathes: controller 11 (expression) swells into it and eases towards its end, and
follows the dynamics under it, which the velocity of a struck note cannot.
"""

import random
from functools import lru_cache
from typing import TYPE_CHECKING

from generator.band.arrangement import Control, Note, Part
from generator.band.cues import Cues, read_cues
from generator.band.fade import EXPRESSION
from generator.band.feel import Groove
from generator.band.pattern import (
    HOLD,
    Event,
    choose_pattern,
    events_in_bar,
    events_of_bars,
    fitting,
    layer_at,
)
from generator.band.pitched import (
    LENGTH_STEP_TICKS,
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
from generator.band.voicing import Candidate, Voicing, candidates, chord_tones, lead
from generator.clock import TICKS_PER_QUARTER, bar_ticks
from generator.timeline.model import Timeline, TimelineBar

if TYPE_CHECKING:
    from generator.band.pitched_spec import PadLayer, PadSpec
    from generator.band.style import Style

__all__ = ["CHANNEL", "play_pad", "voice_pad"]

CHANNEL = 1
VARIETY = 1.0
"""Random cost on a candidate, in semitones of one voice: enough that choruses differ."""

CHORUS_SHIFT = (0, 3, -2, 2)
"""By how many semitones each chorus of four lies higher than the first."""

VELOCITY_STEP = 12
"""Coarser than other parts': a held chord is shaped by expression, and each touch of some pads is a
sound of its own to be played by the synthesiser."""

LONGEST_TIE_QUARTERS = 16
HELD_BARS = 4
"""A chord that does not change is struck again after so many bars of a section."""

HABITS = LineHabits(strike="x")

SWELL = (0.3, 0.6, 0.85, 0.95, 1.0, 0.95, 0.8, 0.55)
"""The shape of a breath over a held chord, in eight parts: in, then slowly out."""

SHORTEST_BREATH_QUARTERS = 2


def play_pad(
    timeline: Timeline,
    style: "Style",
    *,
    seed: int,
    voicings: dict[int, Voicing] | None = None,
    groove: Groove | None = None,
) -> Part:
    """Play the pad of a style over a timeline.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
    voicings, groove : optional
        What others of the band need too, `voice_pad` and `Style.groove`; made here unless given.

    Raises
    ------
    ValueError
        If the style has no pad.
    """
    spec = style.pad
    if spec is None:
        raise ValueError(f"{style.name} has no pad")
    cues = harmonies(read_cues(timeline, ending=style.ending))
    groove = groove or style.groove(timeline, seed)
    events = events_of_bars(groove, style, spec.layers, f"{seed}/pad", _bar)
    beats = lay(cues, events, HABITS)
    if voicings is None:
        voicings = voice_pad(timeline, cues, spec, seed)
    hands = [voicings.get(beat.cue.start_tick, ()) for beat in beats]
    in_time = keyless(beats)
    struck = _struck(in_time, tuple(map(len, hands)), style, groove, seed)
    return Part(
        name="pad",
        channel=CHANNEL,
        program=spec.program,
        notes=_notes(timeline, beats, hands, struck, spec),
        controls=_breath(in_time, style, groove),
        level_db=spec.level_db,
        pan=spec.pan,
        reverb_send=spec.reverb_send,
    )


def _bar(
    timeline: Timeline,
    style: "Style",
    bar: TimelineBar,
    layer: "PadLayer",
    level: float,
    rng: random.Random,
) -> list[Event]:
    pattern = choose_pattern(
        timeline,
        bar,
        fitting(layer.patterns, layer.step, style, bar),
        (),
        variation=0.25,
        level=level,
        rng=rng,
    )
    if layer.restrike == "pattern" and pattern is not None:
        own_bar_ticks = bar_ticks(style.main_meter)
        return events_in_bar(timeline, bar, pattern, own_bar_ticks, layer.length)
    if layer.restrike == "beat":
        return [Event(tick, "x", length=layer.length) for tick in bar.beat_ticks]
    if layer.restrike == "chord":
        place = bar.index - timeline.sections[bar.section].first_bar
        if place % HELD_BARS:
            return [Event(bar.start_tick, HOLD, length=layer.length)]
    return [Event(bar.start_tick, "x", length=layer.length)]


# Voicings


def voice_pad(timeline: Timeline, cues: Cues, spec: "PadSpec", seed: int) -> dict[int, Voicing]:
    """Return the voicing of each cue that sounds, by its `start_tick`.

    `cues` are those of `generator.band.pitched.harmonies`. The comp asks, too, so as not to get
    into the way of the pad.
    """
    onsets: list[int] = []
    steps: list[tuple[Candidate, ...]] = []
    for cue in cues.cues:
        layer = layer_at(spec.layers, timeline.level_at(cue.written_tick))
        chord = cue.chord.chord
        if chord is None or layer is None:
            continue
        tones = chord_tones(chord)
        onsets.append(cue.start_tick)
        chorus = timeline.bar_at(cue.written_tick).chorus
        centre = layer.centre + CHORUS_SHIFT[(chorus - 1) % len(CHORUS_SHIFT)]
        steps.append(candidates(tones, layer.voices, spec.low, spec.high, centre))
    path = lead(tuple(steps), seed=f"{seed}/pad/voicing", variety=VARIETY)
    return dict(zip(onsets, path, strict=True))


# Notes


def _notes(
    timeline: Timeline,
    beats: list[Beat],
    hands: list[Voicing],
    struck: tuple[tuple[Struck, ...], ...],
    spec: "PadSpec",
) -> tuple[Note, ...]:
    notes: list[Note] = []
    held: dict[int, int] = {}  # pitch: place of its last note
    ends: dict[int, int] = {}  # pitch: where that note ends on the grid
    longest = LONGEST_TIE_QUARTERS * TICKS_PER_QUARTER
    for beat, voicing, voices in zip(beats, hands, struck, strict=True):
        ties = beat.length > 0.9 and _ties(timeline, beat, spec)
        for pitch, (_, start, end, velocity) in zip(voicing, voices, strict=True):
            place = held.get(pitch)
            if place is not None:
                before = notes[place]
                if ties and ends[pitch] == beat.start_tick:
                    length = end - before.start_tick
                    length -= length % LENGTH_STEP_TICKS
                    if length <= longest:
                        tied_end = before.start_tick + length
                        notes[place] = Note(before.start_tick, tied_end, pitch, before.velocity)
                        ends[pitch] = beat.end_tick
                        continue
                if before.end_tick > start:
                    notes[place] = Note(before.start_tick, start, pitch, before.velocity)
            held[pitch], ends[pitch] = len(notes), beat.end_tick
            notes.append(Note(start, end, pitch, velocity))
    return tuple(sorted(note for note in notes if note.end_tick > note.start_tick))


def _ties(timeline: Timeline, beat: Beat, spec: "PadSpec") -> bool:
    """Return whether voices that this beat has in common with the last one are held on."""
    if not beat.change or beat.cue.kind != "groove" or beat.cue.pushed:
        return False
    layer = layer_at(spec.layers, timeline.level_at(beat.cue.written_tick))
    return layer is not None and layer.common_tones == "tie"


@lru_cache(maxsize=4)
def _struck(
    beats: tuple[KeylessBeat, ...],
    voices: tuple[int, ...],
    style: "Style",
    groove: Groove,
    seed: int,
) -> tuple[tuple[Struck, ...], ...]:
    """Return for each beat when and how loud each of its `voices` is struck."""
    spec, timeline = style.pad, groove.timeline
    assert spec is not None
    found: list[tuple[Struck, ...]] = []
    human = wavers(f"{seed}/pad/touch", tuple(beat.start_tick for beat in beats))
    for beat, count, own in zip(beats, voices, human, strict=True):
        level = timeline.level_at(beat.start_tick)
        change = (spec.accent if beat.accent else 0) + 2 * own
        starts = [groove.strike("pad", beat.start_tick, note=voice) for voice in range(count)]
        ends = sounding_ends(groove, beat, starts, beat.end_tick)
        changes = [change] * (count - 1) + [change + 3]  # the top voice sings
        touches = velocities(spec, level, changes[:count], VELOCITY_STEP)
        found.append(tuple(zip(range(count), starts, ends, touches, strict=True)))
    return tuple(found)


# Breath


@lru_cache(maxsize=4)
def _breath(beats: tuple[KeylessBeat, ...], style: "Style", groove: Groove) -> tuple[Control, ...]:
    """Return the expression curve: a swell in every chord that is held, level under the rest."""
    spec, timeline = style.pad, groove.timeline
    assert spec is not None
    controls: list[Control] = []
    value = -1
    for beat in beats:
        layer = layer_at(spec.layers, timeline.level_at(beat.written_tick))
        depth = layer.breathe if layer is not None else 0
        length = beat.end_tick - beat.start_tick
        held = length >= SHORTEST_BREATH_QUARTERS * TICKS_PER_QUARTER and depth > 0
        shape = SWELL if held else (1.0,)
        for i, part in enumerate(shape):
            tick = beat.start_tick + length * i // len(shape)
            wanted = _open(timeline.level_at(tick)) - round(depth * (1 - part))
            if wanted != value:
                value = wanted
                controls.append(Control(groove.warp(tick), EXPRESSION, value))
    return tuple(sorted(controls))


def _open(level: float) -> int:
    """Return the expression at the height of a breath: 107 at pp to 127 at ff."""
    return round(107 + 4 * min(5.0, max(0.0, level)))
