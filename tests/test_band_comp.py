"""The comp: playable shapes, strokes, broken chords, and the cues of the band."""

from dataclasses import replace
from functools import cache
from itertools import pairwise
from statistics import mean

import pytest
from band_charts import DYNAMICS, STYLES, harmonies, milliseconds, timeline_of

from generator.band.comp import UP_STROKE_SOFTER, play_comp
from generator.band.fretboard import fingers, shape_of
from generator.band.pad import play_pad
from generator.band.pitched_spec import (
    BassLayer,
    BassSpec,
    CompLayer,
    CompSpec,
    PadLayer,
    PadSpec,
)
from generator.band.style import load_style
from generator.band.style_table import read_table, table_keys
from generator.clock import TICKS_PER_QUARTER
from generator.shipped import styles_folder

EARLY_TICKS = 80
COMPING = [name for name in STYLES if load_style(name).comp is not None]
LIVE_FROM_IT = (
    "sixteenth-funk", "one-drop-reggae", "bossa-nova", "country-train-beat", "medium-swing",
    "medium-shuffle", "slow-soul-six-eight",
)  # fmt: skip


@cache
def comp(style, chart, dynamic="mf", fifths=0):
    part = play_comp(timeline_of(style, chart, dynamic, fifths), load_style(style), seed=1)
    return part.notes


def test_the_styles_that_live_from_it_have_one():
    assert set(LIVE_FROM_IT) <= set(COMPING)


def test_a_style_without_comp_has_no_part():
    style = replace(load_style("pop-ballad"), comp=None)
    assert play_comp(timeline_of("pop-ballad", "pop"), style, seed=1) is None


@pytest.mark.parametrize("style", COMPING)
def test_it_plays_the_chord_that_sounds(style):
    for chart in ("pop", "jazz", "funk", "dense"):
        for dynamic in DYNAMICS:
            timeline = timeline_of(style, chart, dynamic)
            groove = load_style(style).groove(timeline, 1)
            notes = comp(style, chart, dynamic)
            for harmony in harmonies(timeline):
                start = groove.warp(harmony.start_tick)
                end = groove.warp(harmony.end_tick)
                for note in notes:
                    if start <= note.start_tick + EARLY_TICKS < end:
                        assert note.pitch % 12 in harmony.chord.pitch_classes
                        if note.end_tick > end and harmony.end_tick < timeline.end_tick:
                            assert milliseconds(timeline, end, note.end_tick) <= 50


@pytest.mark.parametrize("style", [s for s in COMPING if load_style(s).comp.instrument == "guitar"])
def test_every_stroke_lies_under_one_hand(style):
    spec = load_style(style).comp
    for chart in ("jazz", "funk"):
        for dynamic in ("mf", "ff"):
            notes = comp(style, chart, dynamic)
            strokes, group = [], [notes[0]]
            for note in notes[1:]:
                if note.start_tick - group[-1].start_tick < 40:
                    group.append(note)
                else:
                    strokes.append(group)
                    group = [note]
            assert strokes
            for stroke in strokes:
                keys = tuple(sorted({note.pitch for note in stroke}))
                if len(keys) < 2:
                    continue
                shape = shape_of(keys, open_strings=spec.open_strings)
                assert shape is not None, keys
                assert fingers(tuple(fret for fret in shape if fret is not None)) <= 4


@pytest.mark.parametrize("style", COMPING)
@pytest.mark.parametrize("dynamic", DYNAMICS)
def test_silence_hits_and_held_chords_are_obeyed(style, dynamic):
    timeline = timeline_of(style, "odd", dynamic)
    groove = load_style(style).groove(timeline, 1)
    notes = comp(style, "odd", dynamic)
    spread_ticks = groove.ticks_of_ms(load_style(style).comp.strum_ms, 0) + EARLY_TICKS
    for chord, after in pairwise(timeline.chords):
        start, end = groove.warp(chord.sounds_tick), groove.warp(after.sounds_tick)
        inside = [n for n in notes if start - EARLY_TICKS <= n.start_tick < end - EARLY_TICKS]
        in_stop = any(a <= chord.start_tick < b for a, b in timeline.stops)
        if chord.kind != "chord":
            assert not inside
        elif chord.articulation or in_stop:
            assert all(n.start_tick - start <= spread_ticks for n in inside), "struck once"
        if chord.articulation == "hit" or in_stop:
            short = groove.warp(chord.sounds_tick + TICKS_PER_QUARTER // 2) + EARLY_TICKS
            assert all(n.end_tick <= short for n in inside)


@pytest.mark.parametrize("style", COMPING)
def test_a_push_is_not_struck_again_on_the_beat(style):
    for dynamic in DYNAMICS:
        timeline = timeline_of(style, "funk", dynamic)
        groove = load_style(style).groove(timeline, 1)
        spread_ticks = groove.ticks_of_ms(16 + load_style(style).comp.strum_ms, 0)
        for chord in timeline.chords:
            if chord.sounds_tick < chord.start_tick:
                early, beat = groove.warp(chord.sounds_tick), groove.warp(chord.start_tick)
                assert not [
                    n
                    for n in comp(style, "funk", dynamic)
                    if early + spread_ticks < n.start_tick <= beat + groove.ticks_of_ms(16, 0)
                ]


@pytest.mark.parametrize("style", STYLES)
def test_pad_bass_and_comp_leave_the_drums_three_of_ten_notes(style):
    """The whole band has at most ten notes at once."""
    for chart in ("jazz", "funk", "odd"):
        for dynamic in DYNAMICS:
            timeline = timeline_of(style, chart, dynamic)
            chords = list(play_pad(timeline, load_style(style), seed=1).notes)
            if style in COMPING:
                chords += comp(style, chart, dynamic)
            events = sorted(
                [(n.end_tick, -1) for n in chords] + [(n.start_tick, 1) for n in chords]
            )
            sounding = most = 0
            for _, change in events:
                sounding += change
                most = max(most, sounding)
            assert most <= 6, (chart, dynamic)


@pytest.mark.parametrize("style", COMPING)
def test_louder_is_struck_harder_and_never_thinner(style):
    soft, loud = comp(style, "pop", "p"), comp(style, "pop", "ff")
    assert loud
    assert len(loud) >= len(soft)
    if soft:
        touch = [max(n.velocity for n in notes) for notes in (soft, loud)]
        assert touch[1] >= touch[0] + 20


def style_with(pattern, **more):
    layer = {"from": "pp", "patterns": [pattern], "length": 0.5}
    spec = {"program": 27, "strum_ms": 20.0, "layers": [layer], **more}
    return replace(load_style("pop-ballad"), comp=read_table(CompSpec, spec))


def bar_of(pattern, bar=0, **more):
    """Return the notes of one bar of C, played by a pattern of eighths."""
    timeline = timeline_of("pop-ballad", "pop")
    notes = play_comp(timeline, style_with(pattern, **more), seed=1).notes
    start, end = timeline.bars[bar].start_tick, timeline.bars[bar].end_tick
    return timeline, [n for n in notes if start - EARLY_TICKS <= n.start_tick < end - EARLY_TICKS]


def test_a_down_stroke_runs_up_the_strings_and_an_up_stroke_back():
    _, notes = bar_of("d---u---")
    down, up = notes[:3], notes[3:]
    assert [n.pitch for n in down] == sorted(n.pitch for n in down)
    assert [n.pitch for n in up] == sorted((n.pitch for n in up), reverse=True)


@pytest.mark.parametrize("seed", range(1, 7))
def test_an_up_stroke_is_softer_than_the_down_stroke_before_it(seed):
    timeline = timeline_of("pop-ballad", "pop")
    notes = play_comp(timeline, style_with("d---u---"), seed=seed).notes
    softer = []
    for bar in timeline.bars:
        starts = range(bar.start_tick - EARLY_TICKS, bar.end_tick - EARLY_TICKS)
        touches = [n.velocity for n in notes if n.start_tick in starts]
        if len(touches) == 6:  # no cue of the band comes between
            softer.append(touches[0] - touches[3])
    assert len(softer) > 20
    # Each touch strays by 3 (a standard deviation), the mean of so many pairs by less than one.
    assert abs(mean(softer) - UP_STROKE_SOFTER) < 2.5
    assert mean([difference > 0 for difference in softer]) > 0.75


def test_a_stroke_takes_the_time_that_the_style_says():
    timeline, notes = bar_of("d-------")
    spread_ms = milliseconds(timeline, notes[0].start_tick, notes[-1].start_tick)
    assert spread_ms == pytest.approx(20, abs=2)


def test_a_muted_stroke_is_short_and_soft():
    _, notes = bar_of("d---x---")
    full, muted = notes[:3], notes[3:]
    assert len(muted) == 2
    assert max(n.end_tick - n.start_tick for n in muted) <= 60
    assert max(n.velocity for n in muted) <= min(n.velocity for n in full)


def test_a_broken_chord_rings_until_its_string_is_picked_again():
    timeline, notes = bar_of("1=2=3=2=", strum_ms=0.0)
    pitches = [n.pitch for n in notes]
    assert pitches[0] < pitches[1] < pitches[2]
    assert pitches[3] == pitches[1]
    assert notes[0].end_tick - notes[0].start_tick >= 0.45 * timeline.bars[0].end_tick / 2
    for before, after in pairwise(sorted(notes, key=lambda n: n.pitch)):
        assert before.pitch != after.pitch or before.end_tick <= after.start_tick


def test_the_same_seed_plays_the_same_notes_and_another_does_not():
    timeline, style = timeline_of("sixteenth-funk", "funk"), load_style("sixteenth-funk")
    first = play_comp(timeline, style, seed=1)
    assert first == play_comp(timeline, style, seed=1)
    assert first != play_comp(timeline, style, seed=2)


@pytest.mark.parametrize("table", [BassSpec, BassLayer, PadSpec, PadLayer, CompSpec, CompLayer])
def test_the_readme_of_the_styles_names_every_key(table):
    readme = (styles_folder() / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Everything that `[bass]`")[1].split("\n## ")[0]
    for key in table_keys(table):
        assert f"`{key}`" in section or key == "layers", key


def test_the_readme_of_the_styles_names_every_step():
    readme = (styles_folder() / "README.md").read_text(encoding="utf-8")
    section = readme.split("## Everything that `[bass]`")[1].split("\n## ")[0]
    bass, comp = section.split("Steps of the bass:")[1].split("Steps of the comp:")
    assert [c for c in "135f678pcsdx" if f"`{c}`" not in bass] == []
    assert [c for c in "duDUx14" if f"`{c}`" not in comp] == []


@pytest.mark.parametrize("style", COMPING)
def test_it_does_not_grind_against_the_pad(style):
    """A semitone between pad and comp below C4 is as muddy as within one of them."""
    together, clashes = 0, 0
    for chart in ("jazz", "funk", "dense"):
        held = play_pad(timeline_of(style, chart), load_style(style), seed=1).notes
        for note in comp(style, chart):
            for other in held:
                if (
                    min(other.end_tick, note.end_tick) - max(other.start_tick, note.start_tick)
                    > 240
                ):
                    together += 1
                    clashes += (
                        abs(other.pitch - note.pitch) == 1 and min(other.pitch, note.pitch) < 60
                    )
    assert clashes <= 0.005 * together


def test_power_chords_are_roots_and_fifths():
    timeline = timeline_of("straight-eighth-rock", "pop")
    style = load_style("straight-eighth-rock")
    assert style.comp.power_chords
    groove = style.groove(timeline, 1)
    for harmony in harmonies(timeline):
        start, end = groove.warp(harmony.start_tick), groove.warp(harmony.end_tick)
        root = harmony.chord.root.pitch_class
        for note in comp("straight-eighth-rock", "pop"):
            if start <= note.start_tick + EARLY_TICKS < end:
                assert (note.pitch - root) % 12 in (0, 7), harmony
