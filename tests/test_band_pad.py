"""The pad: rules 5 to 11 and 17 to 19 of the band, measured on its notes."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest
from band_charts import DYNAMICS, STYLES, harmonies, milliseconds, timeline_of

from generator.band.pad import play_pad
from generator.band.pitched_spec import PadSpec
from generator.band.style import load_style
from generator.band.style_table import read_table
from generator.clock import TICKS_PER_QUARTER
from generator.harmony.chord import parse_chord

EARLY_TICKS = 60


@cache
def pad(style, chart, dynamic="mf", fifths=0, choruses=1):
    timeline = timeline_of(style, chart, dynamic, fifths, choruses)
    return play_pad(timeline, load_style(style), seed=1)


def played(style):
    """Yield the name, timeline, groove and notes over charts, dynamics and keys."""
    for chart in ("pop", "jazz", "funk", "dense"):
        for dynamic in DYNAMICS:
            for fifths in (0, 3, -4):
                timeline = timeline_of(style, chart, dynamic, fifths)
                groove = load_style(style).groove(timeline, 1)
                yield chart, timeline, groove, pad(style, chart, dynamic, fifths).notes


def voicings(timeline, groove, notes):
    """Yield each harmony with the keys that sound in it, lowest first; empty where none does."""
    for harmony in harmonies(timeline):
        start = groove.warp(harmony.start_tick) - EARLY_TICKS
        end = groove.warp(harmony.end_tick) - EARLY_TICKS
        sounding = {n.pitch for n in notes if n.start_tick < end and n.end_tick > start + 240}
        yield harmony, tuple(sorted(sounding))


def foreign_ms(timeline, groove, notes):
    """Return how long, at most, a note foreign to a new chord sounds into it."""
    worst = 0.0
    for harmony in harmonies(timeline):
        change = groove.warp(harmony.start_tick)
        allowed = set(harmony.chord.pitch_classes) if harmony.chord else set()
        for note in notes:
            before = note.start_tick < change - EARLY_TICKS
            if before and note.end_tick > change and note.pitch % 12 not in allowed:
                worst = max(worst, milliseconds(timeline, change, note.end_tick))
    return worst


@pytest.mark.parametrize("style", STYLES)
def test_voices_move_little(style):
    moves = []
    for chart, timeline, groove, notes in played(style):
        own = []
        for (_, before), (_, after) in pairwise(voicings(timeline, groove, notes)):
            if len(before) == len(after):
                own += [abs(b - a) for a, b in zip(before, after, strict=True)]
        assert sum(own) <= 1.75 * len(own), chart
        moves += own
    assert len(moves) > 1000
    assert sum(moves) <= 1.4 * len(moves)
    assert sum(move > 5 for move in moves) <= 0.02 * len(moves)


@pytest.mark.parametrize("style", STYLES)
def test_the_register_leaves_the_soloist_room(style):
    for _, timeline, groove, notes in played(style):
        assert min(note.pitch for note in notes) >= 52
        assert max(note.pitch for note in notes) <= 72
        for harmony, keys in voicings(timeline, groove, notes):
            assert 2 <= len(keys) <= 4, harmony
            assert not [a for a, b in pairwise(keys) if b - a == 1 and a < 60], harmony


@pytest.mark.parametrize("style", STYLES)
def test_third_and_seventh_are_kept(style):
    kept = []
    for _, timeline, groove, notes in played(style):
        for harmony, keys in voicings(timeline, groove, notes):
            classes = {key % 12 for key in keys}
            chord = harmony.chord
            by_number = {
                d.number: (chord.root.pitch_class + d.semitones) % 12
                for d in reversed(chord.degrees)
            }
            third = by_number.get(3, by_number.get(4))
            wanted = {third, by_number.get(7)} - {None}
            kept.append(wanted <= classes)
    assert sum(kept) >= 0.95 * len(kept)


@pytest.mark.parametrize("style", STYLES)
def test_nothing_foreign_hangs_into_the_next_chord(style):
    for chart in ("jazz", "funk", "dense", "odd"):
        for dynamic in DYNAMICS:
            timeline = timeline_of(style, chart, dynamic)
            groove = load_style(style).groove(timeline, 1)
            assert foreign_ms(timeline, groove, pad(style, chart, dynamic).notes) <= 50


def test_the_measure_of_foreign_notes_can_fail():
    timeline = timeline_of("pop-ballad", "jazz")
    groove = load_style("pop-ballad").groove(timeline, 1)
    late = [
        note.__class__(note.start_tick, note.end_tick + 480, note.pitch, note.velocity)
        for note in pad("pop-ballad", "jazz").notes
    ]
    assert foreign_ms(timeline, groove, late) > 50


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("dynamic", DYNAMICS)
def test_silence_hits_and_held_chords_are_obeyed(style, dynamic):
    timeline = timeline_of(style, "odd", dynamic)
    groove = load_style(style).groove(timeline, 1)
    notes = pad(style, "odd", dynamic).notes
    for chord, after in pairwise(timeline.chords):
        start, end = groove.warp(chord.sounds_tick), groove.warp(after.sounds_tick)
        inside = [n for n in notes if start - EARLY_TICKS <= n.start_tick < end - EARLY_TICKS]
        in_stop = any(a <= chord.start_tick < b for a, b in timeline.stops)
        if chord.kind != "chord":
            assert not inside
        elif chord.articulation or in_stop:
            assert inside
            assert all(abs(n.start_tick - start) <= EARLY_TICKS for n in inside), "struck once"
        if chord.articulation == "hit" or in_stop:
            short = groove.warp(chord.sounds_tick + TICKS_PER_QUARTER // 2) + EARLY_TICKS
            assert all(n.end_tick <= short for n in inside)
        if chord.articulation == "ring":
            assert all(n.end_tick >= end - TICKS_PER_QUARTER // 8 for n in inside)


@pytest.mark.parametrize("style", STYLES)
def test_a_push_sounds_early_and_not_again_on_the_beat(style):
    for dynamic in DYNAMICS:
        timeline = timeline_of(style, "funk", dynamic)
        groove = load_style(style).groove(timeline, 1)
        starts = [note.start_tick for note in pad(style, "funk", dynamic).notes]
        pushes = [chord for chord in timeline.chords if chord.sounds_tick < chord.start_tick]
        for chord in pushes:
            window_ticks = groove.ticks_of_ms(16, chord.start_tick)
            early, beat = groove.warp(chord.sounds_tick), groove.warp(chord.start_tick)
            assert not [t for t in starts if early + window_ticks < t <= beat + window_ticks]
            assert any(abs(t - early) <= window_ticks for t in starts)


@pytest.mark.parametrize("style", STYLES)
def test_the_last_chord_rings_two_beats(style):
    timeline = timeline_of(style, "pop")
    notes = pad(style, "pop").notes
    beat = timeline.bars[-1].meter.beat_lengths[0] * TICKS_PER_QUARTER
    last = [n for n in notes if n.end_tick > timeline.end_tick - EARLY_TICKS]
    assert len(last) >= 2
    assert all(n.end_tick - n.start_tick >= 2 * beat for n in last)


@pytest.mark.parametrize("style", STYLES)
def test_no_key_is_struck_while_it_sounds(style):
    for chart in ("jazz", "odd"):
        by_pitch = {}
        for note in pad(style, chart, "ff", 0, 2).notes:
            by_pitch.setdefault(note.pitch, []).append(note)
        for notes in by_pitch.values():
            assert all(a.end_tick <= b.start_tick for a, b in pairwise(notes))


@pytest.mark.parametrize("style", STYLES)
def test_louder_is_struck_harder_and_opened_further(style):
    soft, loud = pad(style, "pop", "p"), pad(style, "pop", "ff")
    touch = [sum(n.velocity for n in part.notes[:12]) / 12 for part in (soft, loud)]
    assert touch[1] >= touch[0] + 20
    assert max(c.value for c in loud.controls) > max(c.value for c in soft.controls)


def test_a_held_chord_breathes():
    part = pad("slow-minor-ballad", "pop")
    assert {control.number for control in part.controls} == {11}
    assert all(0 <= control.value <= 127 for control in part.controls)
    timeline = timeline_of("slow-minor-ballad", "pop")
    bar = timeline.bars[2]
    values = [c.value for c in part.controls if bar.start_tick <= c.tick < bar.end_tick]
    top = values.index(max(values))
    assert 0 < top < len(values) - 1
    assert values[: top + 1] == sorted(values[: top + 1])
    assert values[top:] == sorted(values[top:], reverse=True)
    assert max(values) - min(values) >= 8


def test_a_crescendo_opens_under_held_chords():
    timeline = timeline_of("slow-minor-ballad", "odd")
    section = next(s for s in timeline.sections if s.label == "C")
    controls = [
        c
        for c in pad("slow-minor-ballad", "odd").controls
        if section.start_tick <= c.tick < section.end_tick
    ]
    half = (section.start_tick + section.end_tick) // 2
    first = max(c.value for c in controls if c.tick < half)
    assert max(c.value for c in controls if c.tick >= half) > first


def style_with(**layer):
    spec = {"program": 89, "layers": [{"from": "pp", **layer}]}
    return replace(load_style("pop-ballad"), pad=read_table(PadSpec, spec))


def test_common_tones_are_tied_or_struck_again():
    timeline = timeline_of("pop-ballad", "pop")
    tied = play_pad(timeline, style_with(common_tones="tie", length=1.0), seed=1).notes
    again = play_pad(timeline, style_with(common_tones="restrike", length=1.0), seed=1).notes
    assert len(tied) < len(again)
    bar = timeline.bars[0].end_tick - timeline.bars[0].start_tick
    assert max(n.end_tick - n.start_tick for n in tied) > 1.5 * bar
    assert max(n.end_tick - n.start_tick for n in again) <= bar + EARLY_TICKS


@pytest.mark.parametrize(("restrike", "strikes"), [("chord", 1), ("bar", 1), ("beat", 4)])
def test_chords_are_struck_again_as_the_style_says(restrike, strikes):
    timeline = timeline_of("pop-ballad", "pop")
    notes = play_pad(timeline, style_with(restrike=restrike), seed=1).notes
    bar = timeline.bars[4]
    lowest = min(n.pitch for n in notes if bar.start_tick <= n.start_tick + EARLY_TICKS
                 < bar.end_tick)  # fmt: skip
    inside = [n for n in notes if bar.start_tick <= n.start_tick + EARLY_TICKS < bar.end_tick]
    assert len([n for n in inside if n.pitch == lowest]) == strikes


def test_a_power_chord_is_played_with_fewer_voices():
    """Four good voices of two tones do not fit between E3 and C5 in every key."""
    import generator.band.voicing as voicing

    for root in ("C", "E", "F#", "B"):
        tones = voicing.chord_tones(parse_chord(root + "5"))
        found = voicing.candidates(tones, 4, 52, 72, 62)
        assert found
        assert {len(keys) for _, keys in found} <= {3, 4}


def test_choruses_are_voiced_differently():
    timeline = timeline_of("pop-ballad", "jazz", "mf", 0, 3)
    groove = load_style("pop-ballad").groove(timeline, 1)
    notes = pad("pop-ballad", "jazz", "mf", 0, 3).notes
    found = [keys for _, keys in voicings(timeline, groove, notes)]
    third = len(found) // 3
    assert found[:third] != found[third : 2 * third]


def test_a_part_without_a_pad_says_so():
    style = replace(load_style("pop-ballad"), pad=None)
    with pytest.raises(ValueError, match="pop-ballad has no pad"):
        play_pad(timeline_of("pop-ballad", "pop"), style, seed=1)
