"""The comp: a guitar strummed, muted or picked on real shapes, or keys under two hands."""

import random
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from generator.band.arrangement import Note, Part
from generator.band.cues import Cues, read_cues
from generator.band.feel import Groove
from generator.band.fretboard import guitar_candidates
from generator.band.pad import voice_pad
from generator.band.pattern import (
    Event,
    choose_pattern,
    events_in_bar,
    events_of_bars,
    fitting,
    layer_at,
)
from generator.band.pitched import (
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
from generator.band.voicing import (
    MIDDLE_C,
    Candidate,
    Voicing,
    candidates,
    chord_tones,
    lead,
    power_tones,
)
from generator.clock import bar_ticks
from generator.timeline.model import Timeline, TimelineBar

if TYPE_CHECKING:
    from generator.band.pitched_spec import CompLayer, CompSpec
    from generator.band.style import Style

__all__ = ["CHANNEL", "play_comp"]

CHANNEL = 2
MUTED = "x"
CHUCK_TICKS = 60
CHUCK_SOFTER = 26
UP_STROKE_SOFTER = 8
VARIETY = 1.0
STRUM_SOFTENING = 3
"""By how much each further string of a stroke is softer."""

HAND_MS = 80
"""How long before the next chord a last stroke is still played."""

CLASH = 12.0
"""Cost of a semitone against the pad below middle C."""

DOUBLED = 0.5
"""Cost of a key that the pad holds, too."""

HABITS = LineHabits(strike="d")


def play_comp(
    timeline: Timeline,
    style: "Style",
    *,
    seed: int,
    pad: dict[int, Voicing] | None = None,
    groove: Groove | None = None,
) -> Part | None:
    """Play the comp of a style over a timeline; None when the style has none.

    Parameters
    ----------
    timeline : Timeline
    style : Style
    seed : int
    pad, groove : optional
        What others of the band need too, `voice_pad` and `Style.groove`; made here unless given.
    """
    spec = style.comp
    if spec is None:
        return None
    cues = harmonies(read_cues(timeline, ending=style.ending))
    groove = groove or style.groove(timeline, seed)
    events = events_of_bars(groove, style, spec.layers, f"{seed}/comp", _bar)
    beats = lay(cues, events, HABITS)
    if pad is None:
        pad = voice_pad(timeline, cues, style.pad, seed) if style.pad else {}
    voicings = _voicings(timeline, cues, spec, pad, f"{seed}/comp/voicing")
    hands = [voicings.get(beat.cue.start_tick, ()) for beat in beats]
    voices = tuple(map(len, hands))
    struck = _struck(keyless(beats), voices, style, groove, _ends_of_silence(cues), seed)
    return Part(
        name="comp",
        channel=CHANNEL,
        program=spec.program,
        notes=_notes(hands, struck),
        level_db=spec.level_db,
        pan=spec.pan,
        reverb_send=spec.reverb_send,
    )


def _bar(
    timeline: Timeline,
    style: "Style",
    bar: TimelineBar,
    layer: "CompLayer",
    level: float,
    rng: random.Random,
) -> list[Event]:
    pattern = choose_pattern(
        timeline,
        bar,
        fitting(layer.patterns, layer.step, style, bar),
        fitting(layer.fills, layer.step, style, bar),
        variation=layer.variation,
        level=level,
        rng=rng,
    )
    if pattern is None:  # a meter that the style does not know: once a beat
        return [Event(tick, "d", length=layer.length) for tick in bar.beat_ticks]
    own_bar_ticks = bar_ticks(style.main_meter)
    return events_in_bar(timeline, bar, pattern, own_bar_ticks, layer.length)


def _voicings(
    timeline: Timeline,
    cues: Cues,
    spec: "CompSpec",
    pad: dict[int, Voicing],
    seed: str,
) -> dict[int, Voicing]:
    """Return the voicing of each cue that sounds, by its `start_tick`; `pad` has the pad's."""
    onsets: list[int] = []
    steps: list[tuple[Candidate, ...]] = []
    for cue in cues.cues:
        layer = layer_at(spec.layers, timeline.level_at(cue.written_tick))
        chord = cue.chord.chord
        if chord is None or layer is None:
            continue
        tones = chord_tones(chord)
        if spec.power_chords:
            tones = power_tones(tones)
        found: tuple[Candidate, ...] = ()
        if spec.instrument == "guitar":
            found = guitar_candidates(
                tones, layer.voices, spec.low, spec.high, spec.centre, spec.open_strings
            )
        found = found or candidates(tones, layer.voices, spec.low, spec.high, spec.centre)
        onsets.append(cue.start_tick)
        steps.append(_beside(found, pad.get(cue.start_tick, ())))
    return dict(zip(onsets, lead(tuple(steps), seed=seed, variety=VARIETY), strict=True))


@lru_cache(maxsize=4096)
def _beside(found: tuple[Candidate, ...], pad: Voicing) -> tuple[Candidate, ...]:
    """Return the candidates with the cost of getting into the way of the pad."""
    return tuple(
        (cost + sum(_friction(key, other) for key in voicing for other in pad), voicing)
        for cost, voicing in found
    )


def _friction(key: int, other: int) -> float:
    if abs(key - other) == 1:
        return CLASH if min(key, other) < MIDDLE_C else CLASH / 4
    return DOUBLED if key == other else 0.0


def _notes(hands: list[Voicing], struck: tuple[tuple[Struck, ...], ...]) -> tuple[Note, ...]:
    last: dict[int, int] = {}  # pitch: place of the note that may still sound
    notes: list[Note] = []
    for voicing, voices in zip(hands, struck, strict=True):
        for voice, start, end, velocity in voices:
            pitch = voicing[voice]
            place = last.get(pitch)
            if place is not None:
                before = notes[place]
                if before.end_tick > start:
                    notes[place] = Note(before.start_tick, start, pitch, before.velocity)
            last[pitch] = len(notes)
            notes.append(Note(start, end, pitch, velocity))
    return tuple(sorted(note for note in notes if note.end_tick > note.start_tick))


@lru_cache(maxsize=4)
def _struck(
    beats: tuple[KeylessBeat, ...],
    voices: tuple[int, ...],
    style: "Style",
    groove: Groove,
    quiet: frozenset[int],
    seed: int,
) -> tuple[tuple[Struck, ...], ...]:
    """Return for each beat which of its `voices` are struck, in this order, when and how loud."""
    spec, timeline = style.comp, groove.timeline
    assert spec is not None
    found: list[tuple[Struck, ...]] = []
    human = wavers(f"{seed}/comp/touch", tuple(beat.start_tick for beat in beats))
    for i, (beat, count) in enumerate(zip(beats, voices, strict=True)):
        if not count or _is_too_close(beats, i, groove):
            found.append(())
            continue
        level = timeline.level_at(beat.start_tick)
        change = (spec.accent if beat.accent else 0) + 3 * human[i]
        until = _ringing_end(beats, i) if beat.character.isdigit() else beat.end_tick
        struck, softer = _stroke(beat.character, count)
        spread = groove.ticks_of_ms(spec.strum_ms, beat.start_tick)
        between = spread // max(1, count - 1)
        # The middle of a stroke is felt on the beat, so its first string comes before.
        place_on_grid, middle = groove.warp(beat.start_tick), groove.strike("comp", beat.start_tick)
        late = middle > place_on_grid  # half a tick is rounded towards the beat
        onset = middle - (between * (len(struck) - 1) + late) // 2
        if beat.start_tick in quiet:
            onset = max(onset, place_on_grid)
        starts = [onset + between * place for place in range(len(struck))]
        if beat.character == MUTED:
            ends = [start + CHUCK_TICKS for start in starts]
        else:
            ends = sounding_ends(groove, beat, starts, until)
        changes = [change - softer - STRUM_SOFTENING * place for place in range(len(struck))]
        touches = velocities(spec, level, changes)
        found.append(tuple(zip(struck, starts, ends, touches, strict=True)))
    return tuple(found)


def _is_too_close(beats: Sequence[KeylessBeat], i: int, groove: Groove) -> bool:
    """Return whether the hand lets a stroke go, since it must strike the next chord at once."""
    if i + 1 == len(beats) or beats[i + 1].cue_start_tick == beats[i].cue_start_tick:
        return False
    tick, after = beats[i].start_tick, beats[i + 1].start_tick
    return groove.warp(after) - groove.warp(tick) < groove.ticks_of_ms(HAND_MS, tick)


def _ends_of_silence(cues: Cues) -> frozenset[int]:
    """Return where chords start behind silence or N.C., into which no string may sound early."""
    before = (None, *cues.cues)
    return frozenset(
        cue.start_tick
        for cue, last in zip(cues.cues, before, strict=False)
        if last is None or last.kind in ("hit", "silent") or not last.pitched
    )


def _stroke(character: str, count: int) -> tuple[Sequence[int], int]:
    """Return which of the voices are struck, in this order, and how much softer."""
    if character.isdigit():
        return (min(int(character), count) - 1,), 0
    if character == "u":  # the way back catches the upper strings
        return range(count - 1, max(-1, count - 4), -1), UP_STROKE_SOFTER
    if character == MUTED:
        return range(max(0, count - 2), count), CHUCK_SOFTER
    return range(count), 0


def _ringing_end(beats: Sequence[KeylessBeat], i: int) -> int:
    """Return where a picked voice stops ringing: at its next stroke, or with its chord."""
    beat = beats[i]
    for place in range(i + 1, len(beats)):
        later = beats[place]
        if later.cue_start_tick != beat.cue_start_tick:
            break
        if later.character == beat.character or not later.character.isdigit():
            return later.start_tick
    return beat.cue_end_tick
