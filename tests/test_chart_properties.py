"""Properties of the chart language that hold for every chart, and for any text at all."""

from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import chart_like_texts, charts, keys

from generator.chart.format import format_chart
from generator.chart.parser import parse_chart
from generator.chart.transpose import transpose_chart
from generator.errors import ChartError, KeyNameError
from generator.harmony.transposition import key_after_semitones
from generator.timeline.build import build_timeline
from generator.timeline.summary import summarize

relaxed = settings(max_examples=50, deadline=None, suppress_health_check=list(HealthCheck))


@given(charts())
@relaxed
def test_a_printed_chart_reads_as_the_same_chart(chart):
    assert parse_chart(format_chart(chart)) == chart


@given(charts())
@relaxed
def test_bars_sections_and_chords_tile_the_music(chart):
    timeline = build_timeline(chart)
    for row in (timeline.bars, timeline.sections, timeline.chords):
        assert row[0].start_tick == timeline.first_tick
        assert row[-1].end_tick == timeline.end_tick
        assert all(a.end_tick == b.start_tick for a, b in pairwise(row))
        assert all(element.start_tick < element.end_tick for element in row)
    for bar in timeline.bars:
        assert bar.beat_ticks[0] == bar.start_tick
        assert list(bar.beat_ticks) == sorted(set(bar.beat_ticks))
        assert bar.beat_ticks[-1] < bar.end_tick
        section = timeline.sections[bar.section]
        assert section.first_bar <= bar.index <= section.last_bar
    numbers = [bar.number for bar in timeline.bars]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert numbers[0] == (0 if chart.pickup_beats and timeline.bars[0].written == 0 else 1)


@given(charts())
@relaxed
def test_chords_stand_on_the_beat_they_name_and_pushes_stay_in_order(chart):
    timeline = build_timeline(chart)
    for chord in timeline.chords:
        bar = timeline.bars[chord.bar]
        assert bar.beat_ticks[int(chord.beat) - 1] == chord.start_tick
        assert 0 <= chord.start_tick - chord.sounds_tick <= 480
    heard = [chord.sounds_tick for chord in timeline.chords]
    assert heard == sorted(set(heard))
    assert heard[0] >= timeline.first_tick


@given(charts())
@relaxed
def test_tempos_levels_and_stops_are_in_order_and_in_range(chart):
    timeline = build_timeline(chart)
    ticks = [point.tick for point in timeline.clock.tempos]
    assert ticks == sorted(set(ticks))
    assert ticks[0] == 0
    assert ticks[-1] < timeline.end_tick
    assert all(isinstance(point.us_per_quarter, int) for point in timeline.clock.tempos)
    levels = [point.tick for point in timeline.dynamics]
    assert levels == sorted(levels)
    assert levels[0] == 0
    for tick in range(0, timeline.end_tick, max(1, timeline.end_tick // 40)):
        assert 0 <= timeline.level_at(tick) <= 5
    ends = [timeline.first_tick, *(edge for stop in timeline.stops for edge in stop)]
    assert ends == sorted(ends)
    assert ends[-1] <= timeline.end_tick
    assert list(timeline.count_in_ticks) == sorted(set(timeline.count_in_ticks))
    assert all(tick < timeline.first_tick for tick in timeline.count_in_ticks)
    assert summarize(timeline)


@given(charts(), st.integers(-11, 11))
@relaxed
def test_transposing_there_and_back_sounds_the_same(chart, semitones):
    away = transpose_chart(chart, key_after_semitones(chart.key, semitones))
    back = transpose_chart(away, chart.key)
    assert parse_chart(format_chart(away)) == away

    def sounding(some):
        return [
            chord.chord and (chord.chord.pitch_classes, chord.chord.bass_pitch_class)
            for chord in build_timeline(some).chords
        ]

    assert sounding(back) == sounding(chart)
    moved = [
        chord and ([(pitch + semitones) % 12 for pitch in chord[0]], (chord[1] + semitones) % 12)
        for chord in sounding(chart)
    ]
    assert [chord and (list(chord[0]), chord[1]) for chord in sounding(away)] == moved


@given(charts(), keys)
@relaxed
def test_only_a_key_of_another_mode_is_refused(chart, key):
    if key.mode == chart.key.mode:
        assert transpose_chart(chart, key).key == key
    else:
        with pytest.raises(KeyNameError, match="the mode stays"):
            transpose_chart(chart, key)


@given(st.one_of(st.text(max_size=300), chart_like_texts))
@settings(max_examples=250, deadline=None)
def test_any_text_gives_a_chart_or_problems_with_places(text):
    problems = ()
    try:
        assert build_timeline(parse_chart(text, "any.chart")).bars
    except ChartError as error:
        problems = error.problems
    for problem in problems:
        assert problem.line >= 1
        assert problem.column >= 1
        assert problem.message
        assert str(problem).startswith("any.chart:")


@given(st.lists(st.sampled_from([f"| {symbol} " for symbol in ("C", "F / ", "%", "r", "N.C.")])))
@settings(max_examples=100, deadline=None)
def test_a_chart_that_reads_can_be_printed(pieces):
    try:
        chart = parse_chart("".join(pieces) + "|")
    except ChartError:
        return
    assert parse_chart(format_chart(chart)) == chart
