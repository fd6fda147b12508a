"""The bass: rules 1 to 4, 16 to 19 and 22 of the band, measured on its notes."""

from bisect import bisect_left
from dataclasses import replace
from functools import cache
from itertools import pairwise
from statistics import median

import pytest
from band_charts import (
    DYNAMICS,
    STYLES,
    harmonies,
    kick_ticks,
    milliseconds,
    timeline_of,
)

from generator.band.bass import play_bass
from generator.band.bass_line import scale_tones
from generator.band.pitched_spec import BassSpec
from generator.band.style import load_style, parse_style
from generator.band.style_catalogue import find_style
from generator.band.style_table import read_table
from generator.chart.parser import parse_chart
from generator.clock import TICKS_PER_QUARTER
from generator.errors import StyleError
from generator.harmony.chord import parse_chord
from generator.harmony.key import parse_key
from generator.timeline.build import build_timeline

EARLY_TICKS = 60
"""A note may sound this much before the beat it belongs to."""


@cache
def bass(style, chart, dynamic="mf", fifths=0, choruses=1, seed=1):
    timeline = timeline_of(style, chart, dynamic, fifths, choruses)
    kicks = kick_ticks(style, chart, dynamic, fifths, choruses)
    return play_bass(timeline, load_style(style), seed=seed, kick_ticks=kicks).notes


def played(style):
    """Yield timeline, groove and notes over charts, dynamics and keys."""
    for chart in ("pop", "jazz", "funk", "dense"):
        for dynamic in DYNAMICS:
            for fifths in (0, 3, -4):
                timeline = timeline_of(style, chart, dynamic, fifths)
                yield (
                    timeline,
                    load_style(style).groove(timeline, 1),
                    bass(style, chart, dynamic, fifths),
                )


def first_note(notes, start_tick, end_tick):
    return next((n for n in notes if start_tick <= n.start_tick + EARLY_TICKS < end_tick), None)


@pytest.mark.parametrize("style", STYLES)
def test_the_root_or_the_slash_bass_is_first_at_changes(style):
    first = []
    for timeline, groove, notes in played(style):
        for harmony in harmonies(timeline):
            window = groove.warp(harmony.start_tick), groove.warp(harmony.end_tick)
            note = first_note(notes, *window)
            first.append(note and note.pitch % 12 == harmony.chord.bass_pitch_class)
    assert sum(map(bool, first)) >= 0.95 * len(first)


@pytest.mark.parametrize("style", STYLES)
def test_notes_foreign_to_the_chord_resolve(style):
    """By a semitone, a step or a fifth; an octave or the same key again is no motion."""
    resolved = []
    for timeline, groove, notes in played(style):
        melody = [
            n for i, n in enumerate(notes) if not i or n.pitch % 12 != notes[i - 1].pitch % 12
        ]
        chords = harmonies(timeline)
        starts = [groove.warp(harmony.start_tick) - EARLY_TICKS for harmony in chords]
        for note, after in pairwise(melody):
            chord = chords[max(0, bisect_left(starts, note.start_tick + 1) - 1)].chord
            if note.pitch % 12 not in chord.pitch_classes:
                resolved.append((after.pitch - note.pitch) % 12 in (1, 2, 5, 7, 10, 11))
    assert sum(resolved) >= 0.95 * len(resolved)


@pytest.mark.parametrize("style", STYLES)
def test_the_line_lies_on_a_four_string_bass(style):
    every = []
    for _, _, notes in played(style):
        pitches = [note.pitch for note in notes]
        leaps = [abs(b - a) > 12 for a, b in pairwise(pitches)]
        assert min(pitches) >= 28
        assert max(pitches) <= 63
        assert sum(leaps) <= 0.02 * len(leaps)
        assert all(a.end_tick <= b.start_tick for a, b in pairwise(notes)), "one note at a time"
        every += pitches
    assert median(every) <= 43


@pytest.mark.parametrize("style", STYLES)
def test_bass_and_kick_that_share_a_beat_sound_together(style):
    together = []
    for chart in ("pop", "funk"):
        timeline = timeline_of(style, chart)
        kicks = kick_ticks(style, chart)
        for note in bass(style, chart):
            near = [k for k in kicks if abs(k - note.start_tick) < TICKS_PER_QUARTER // 8]
            together += (
                [abs(milliseconds(timeline, near[0], note.start_tick)) <= 10] if near else []
            )
    assert len(together) >= 10
    assert sum(together) >= 0.95 * len(together)


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("dynamic", DYNAMICS)
def test_silence_hits_and_held_chords_are_obeyed(style, dynamic):
    timeline = timeline_of(style, "odd", dynamic)
    groove = load_style(style).groove(timeline, 1)
    notes = bass(style, "odd", dynamic)
    for chord, after in pairwise(timeline.chords):
        start, end = groove.warp(chord.sounds_tick), groove.warp(after.sounds_tick)
        inside = [n for n in notes if start - EARLY_TICKS <= n.start_tick < end - EARLY_TICKS]
        in_stop = any(a <= chord.start_tick < b for a, b in timeline.stops)
        if chord.kind != "chord":
            assert not inside
        elif chord.articulation or in_stop:
            assert len(inside) == 1, chord
        if chord.articulation == "hit" or in_stop:
            short = groove.warp(chord.sounds_tick + TICKS_PER_QUARTER // 2) + EARLY_TICKS
            assert inside[0].end_tick <= short
        if chord.articulation == "ring":
            assert inside[0].end_tick >= end - TICKS_PER_QUARTER // 8


@pytest.mark.parametrize("style", STYLES)
def test_a_push_sounds_early_and_not_again_on_the_beat(style):
    timeline = timeline_of(style, "funk", "ff")
    groove = load_style(style).groove(timeline, 1)
    notes = bass(style, "funk", "ff")
    pushes = [chord for chord in timeline.chords if chord.sounds_tick < chord.start_tick]
    assert pushes
    for chord in pushes:
        window_ticks = groove.ticks_of_ms(16, chord.start_tick)
        early = groove.warp(chord.sounds_tick)
        assert any(abs(n.start_tick - early) <= window_ticks for n in notes)
        beat = groove.warp(chord.start_tick)
        assert not [n for n in notes if early + window_ticks < n.start_tick <= beat + window_ticks]


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("chart", ["pop", "odd"])
def test_the_last_note_rings_two_beats(style, chart):
    timeline = timeline_of(style, chart)
    last = bass(style, chart)[-1]
    beat = timeline.bars[-1].meter.beat_lengths[0] * TICKS_PER_QUARTER
    assert last.end_tick - last.start_tick >= 2 * beat


@pytest.mark.parametrize("style", [name for name in STYLES if name != "plain"])
def test_choruses_differ_and_seeds_decide(style):
    notes = bass(style, "jazz", "mf", 0, 3)
    assert (
        notes
        == play_bass(
            timeline_of(style, "jazz", "mf", 0, 3),
            load_style(style),
            seed=1,
            kick_ticks=kick_ticks(style, "jazz", "mf", 0, 3),
        ).notes
    )
    timeline = timeline_of(style, "jazz", "mf", 0, 3)
    bars = {}
    for note in notes:
        bar = timeline.bar_at(note.start_tick + EARLY_TICKS)
        tick = round((note.start_tick - bar.start_tick) / 120)
        bars.setdefault((bar.chorus, bar.written, bar.repeat_pass), []).append((tick, note.pitch))
    first = {key[1:]: line for key, line in bars.items() if key[0] == 1}
    second = {key[1:]: line for key, line in bars.items() if key[0] == 2}
    assert any(first[key] != second.get(key) for key in first)


@pytest.mark.parametrize("style", STYLES)
def test_louder_is_struck_harder_and_never_thinner(style):
    soft, loud = bass(style, "pop", "p"), bass(style, "pop", "ff")
    touch = [sum(n.velocity for n in notes[:40]) / len(notes[:40]) for notes in (soft, loud)]
    assert touch[1] >= touch[0] + 20
    assert len(loud) >= len(soft)


def test_few_lengths_are_used():
    """The renderer records each length once: a groove does with a dozen."""
    lengths = {n.end_tick - n.start_tick for n in bass("straight-eighth-rock", "pop", "ff")}
    assert len(lengths) <= 16


def style_with(base, **layer):
    """Return a style whose bass has one layer."""
    spec = {"program": 33, "layers": [{"from": "pp", **layer}]}
    return replace(load_style(base), bass=read_table(BassSpec, spec))


def play(style, chart, **more):
    timeline = timeline_of(style.name, chart, **more)
    return timeline, play_bass(timeline, style, seed=1, kick_ticks=()).notes


def test_a_pedal_stays_on_the_tonic():
    style = style_with("straight-eighth-rock", mode="pedal", patterns=["1=1=1=8="])
    _, notes = play(style, "pop")
    assert {note.pitch % 12 for note in notes[:-1]} == {0}
    assert notes[-1].pitch % 12 == 7  # the last chord, held, has its own root


def test_walking_plays_each_beat_and_reaches_the_next_root():
    style = style_with("medium-swing", mode="walking")
    timeline, notes = play(style, "jazz")
    beats = sum(len(bar.beat_ticks) for bar in timeline.bars[:-1])
    assert len(notes) == beats + 1
    assert len({note.pitch for note in notes}) >= 12
    steps = [abs(b.pitch - a.pitch) for a, b in pairwise(notes)]
    assert sum(step <= 2 for step in steps) >= 0.6 * len(steps)
    roots = {harmony.start_tick: harmony.chord.root for harmony in harmonies(timeline)[1:-1]}
    groove = style.groove(timeline, 1)
    for before, note in pairwise(notes):
        at = min(roots, key=lambda tick: abs(groove.warp(tick) - note.start_tick))
        if abs(groove.warp(at) - note.start_tick) < EARLY_TICKS:
            assert (note.pitch - before.pitch) % 12 in (1, 2, 5, 7, 10, 11)


@pytest.mark.parametrize(
    ("token", "distances"),
    [("c", {1, -1}), ("s", {1, -1, 2, -2}), ("d", {-7, 5})],
)
def test_an_approach_resolves_by_its_interval(token, distances):
    style = style_with("straight-eighth-rock", patterns=[f"1======{token}"])
    timeline, notes = play(style, "pop")
    pairs = [
        (a, b)
        for a, b in pairwise(notes)
        if b.start_tick - a.start_tick < 0.6 * TICKS_PER_QUARTER
        and b.start_tick < timeline.bars[-1].start_tick
    ]
    assert len(pairs) >= 12
    assert {b.pitch - a.pitch for a, b in pairs} <= distances


def test_a_chord_is_struck_where_the_pattern_ties_over_it():
    style = style_with("straight-eighth-rock", patterns=["1======="])
    timeline, notes = play(style, "dense")
    starts = [groove_tick(style, timeline, h.start_tick) for h in harmonies(timeline)]
    for start in starts:
        assert any(abs(n.start_tick - start) < EARLY_TICKS for n in notes)


def groove_tick(style, timeline, tick):
    return style.groove(timeline, 1).warp(tick)


def test_a_meter_that_the_style_does_not_know_is_played_from_its_beats():
    style = load_style("sixteenth-funk")
    timeline = timeline_of("seven-eight-rock", "pop")
    notes = play_bass(timeline, style, seed=1, kick_ticks=()).notes
    onsets = {beat for bar in timeline.bars for beat in bar.beat_ticks}
    groove = style.groove(timeline, 1)
    limit_ticks = groove.ticks_of_ms(16, 0)
    for note in notes:
        assert min(abs(groove.warp(o) - note.start_tick) for o in onsets) <= limit_ticks


def test_a_part_without_a_bass_says_so():
    style = replace(load_style("pop-ballad"), bass=None)
    with pytest.raises(ValueError, match="pop-ballad has no bass"):
        play_bass(timeline_of("pop-ballad", "pop"), style, seed=1, kick_ticks=())


def test_scales_follow_the_chord_against_the_key():
    """Over A7 in C the line has the leading note C sharp, not C."""
    tones = scale_tones(parse_chord("A7"), parse_key("C"))
    assert 1 in tones
    assert 0 not in tones


def test_a_bass_that_starts_on_the_fifth_breaks_the_first_rule():
    """The measure itself: a line moved up a fifth fails it."""
    timeline = timeline_of("pop-ballad", "pop")
    moved = [note._replace(pitch=note.pitch + 7) for note in bass("pop-ballad", "pop")]
    wrong = 0
    for harmony in harmonies(timeline):
        note = first_note(moved, harmony.start_tick, harmony.end_tick)
        wrong += note.pitch % 12 != harmony.chord.bass_pitch_class
    assert wrong > 0.5 * len(harmonies(timeline))


def test_a_pattern_that_does_not_fill_its_bars_is_refused():
    text = style_text().replace('"1=======", "1=====5="', '"1=======", "1=====5"')
    with pytest.raises(StyleError, match=r"'1=====5' has 7 eighth steps, a bar has 8"):
        parse_style(text, "wrong")


def style_text():
    return find_style("pop-ballad").read_text(encoding="utf-8")


METERS = (
    "2/4", "3/4", "4/4", "5/4", "6/4", "2/2", "3/8", "5/8", "6/8", "7/8 (2+2+3)", "7/8 (3+2+2)",
    "8/8 (3+3+2)", "9/8", "11/8", "12/8", "15/16", "1/4",
)  # fmt: skip


@pytest.mark.parametrize("meter", METERS)
def test_every_style_plays_every_meter(meter):
    body = "[A] f\n| C | <<F7 | % | N.C. | G/B |\n[B] pp\n| Am7<> | Dm9^ | <<E7 | A5 |\n"
    text = f"Title: T\nKey: C\nTime: {meter}\nTempo: q=120\n{body}"
    timeline = build_timeline(parse_chart(text, "meters"))
    for name in STYLES:
        style = load_style(name)
        notes = play_bass(timeline, style, seed=1, kick_ticks=()).notes
        assert len(notes) >= 8
        assert all(a.start_tick < a.end_tick <= b.start_tick for a, b in pairwise(notes)), name
        groove = style.groove(timeline, 1)
        for harmony in harmonies(timeline):
            start, end = groove.warp(harmony.start_tick), groove.warp(harmony.end_tick)
            inside = [n for n in notes if start <= n.start_tick + EARLY_TICKS < end]
            if harmony.chord is None:
                assert not inside, (name, harmony)
            else:
                assert inside, (name, harmony)
                assert inside[0].pitch % 12 == harmony.chord.bass_pitch_class, (name, harmony)
