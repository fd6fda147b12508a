"""The pad: held or restruck chords, led from voicing to voicing by the smoothest way.

A held chord breathes: controller 11 (expression) swells into it and eases towards its end, and
follows the dynamics under it, which the velocity of a struck note cannot.
"""

import random
from functools import partial
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
    LineHabits,
    harmonies,
    lay,
    sounding_end,
    touch,
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
    events = events_of_bars(timeline, spec.layers, f"{seed}/pad", partial(_bar, timeline, style))
    beats = lay(cues, events, HABITS)
    if voicings is None:
        voicings = voice_pad(timeline, cues, spec, seed)
    groove = groove or style.groove(timeline, seed)
    return Part(
        name="pad",
        channel=CHANNEL,
        program=spec.program,
        notes=_notes(timeline, beats, voicings, spec, groove, seed),
        controls=_breath(timeline, beats, spec, groove),
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
    rng = random.Random(f"{seed}/pad/voicing")
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
    return dict(zip(onsets, lead(steps, rng=rng, variety=VARIETY), strict=True))


# Notes


def _notes(
    timeline: Timeline,
    beats: list[Beat],
    voicings: dict[int, Voicing],
    spec: "PadSpec",
    groove: Groove,
    seed: int,
) -> tuple[Note, ...]:
    notes: list[Note] = []
    held: dict[int, int] = {}  # pitch: place of its last note
    ends: dict[int, int] = {}  # pitch: where that note ends on the grid
    for beat in beats:
        voicing = voicings.get(beat.cue.start_tick)
        if voicing is None:
            continue
        layer = layer_at(spec.layers, timeline.level_at(beat.cue.written_tick))
        goes_on = beat.change and beat.cue.kind == "groove" and not beat.cue.pushed
        ties = layer is not None and layer.common_tones == "tie" and goes_on
        level = timeline.level_at(beat.start_tick)
        rng = random.Random(f"{seed}/pad/touch/{beat.start_tick}")
        change = (spec.accent if beat.accent else 0) + rng.gauss(0, 2)
        for voice, pitch in enumerate(voicing):
            start = groove.strike("pad", beat.start_tick, note=voice)
            if pitch in held and ends[pitch] == beat.start_tick and beat.length > 0.9:
                before = notes[held[pitch]]
                longest = LONGEST_TIE_QUARTERS * TICKS_PER_QUARTER
                end = sounding_end(groove, beat, start, beat.end_tick)
                length = end - before.start_tick
                end -= length % LENGTH_STEP_TICKS
                if ties and end - before.start_tick <= longest:
                    notes[held[pitch]] = Note(before.start_tick, end, pitch, before.velocity)
                    ends[pitch] = beat.end_tick
                    continue
            if pitch in held and notes[held[pitch]].end_tick > start:
                before = notes[held[pitch]]
                notes[held[pitch]] = Note(before.start_tick, start, pitch, before.velocity)
            top = 3 if voice == len(voicing) - 1 else 0
            end = sounding_end(groove, beat, start, beat.end_tick)
            notes.append(Note(start, end, pitch, touch(spec, level, change + top, VELOCITY_STEP)))
            held[pitch], ends[pitch] = len(notes) - 1, beat.end_tick
    return tuple(sorted(note for note in notes if note.end_tick > note.start_tick))


# Breath


def _breath(
    timeline: Timeline, beats: list[Beat], spec: "PadSpec", groove: Groove
) -> tuple[Control, ...]:
    """Return the expression curve: a swell in every chord that is held, level under the rest."""
    controls: list[Control] = []
    value = -1
    for beat in beats:
        layer = layer_at(spec.layers, timeline.level_at(beat.cue.written_tick))
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
