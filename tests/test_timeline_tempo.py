"""Tempos and dynamics along the way."""

from fractions import Fraction
from itertools import pairwise

import pytest

from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline
from generator.timeline.dynamics import DynamicEvent, dynamic_points
from generator.timeline.tempo import ACCEL_SHARE, RIT_SHARE, TempoEvent, tempo_points


def timeline_of(text):
    return build_timeline(parse_chart("Count-in: 0\nTempo: q=100\n" + text))


def bpm(timeline, beat):
    return round(timeline.clock.quarter_bpm(round(beat * 960)), 2)


def test_a_ritardando_goes_down_by_eighths_to_its_proportion_and_ends_at_the_next_word():
    timeline = timeline_of('[A]\n| C | "rit." F | "a tempo" G |')
    speeds = [bpm(timeline, 4 + i / 2) for i in range(8)]
    steps = {round(a - b, 1) for a, b in pairwise(speeds)}
    assert steps == {round(100 * (1 - float(RIT_SHARE)) / 8, 1)}
    assert bpm(timeline, 3.9) == 100
    assert speeds[-1] == pytest.approx(100 * float(RIT_SHARE), abs=0.01)
    assert bpm(timeline, 8) == 100
    assert [mark.text for mark in timeline.tempo_marks] == ["rit.", "a tempo"]


def test_an_accelerando_goes_up():
    timeline = timeline_of('[A]\n| "accel." C |\n[B]\n| C |')
    assert bpm(timeline, 3.5) == pytest.approx(100 * float(ACCEL_SHARE), abs=0.01)
    assert bpm(timeline, 4) == 100  # the section is over


def test_a_change_leads_to_the_mark_after_it_when_that_lies_its_way():
    timeline = timeline_of('[A]\n| C "rit." / / / | "q=80" F |')
    assert bpm(timeline, 3.5) == 80
    timeline = timeline_of('[A]\n| C "rit." / / / | "q=130" F |')
    assert bpm(timeline, 3.5) == pytest.approx(100 * float(RIT_SHARE), abs=0.01)
    assert bpm(timeline, 4) == 130


def test_a_ritardando_after_the_last_symbol_starts_with_it():
    timeline = timeline_of('[A]\n| C | F / G / "rit." |')
    assert [mark.tick for mark in timeline.tempo_marks] == [7 * 960]


def test_words_behind_the_last_symbol_come_in_the_order_of_time():
    timeline = timeline_of('[A]\n| C "a tempo" "rit." | F |')
    assert [(mark.text, mark.tick) for mark in timeline.tempo_marks] == [
        ("rit.", 0), ("a tempo", 3840),
    ]  # fmt: skip
    assert bpm(timeline, 4) == 100


def test_a_fermata_doubles_its_chord():
    timeline = timeline_of("[A]\n| C / F(.) / | C |")
    clock = timeline.clock
    assert clock.seconds(4 * 960) - clock.seconds(2 * 960) == pytest.approx(2.4)
    assert clock.seconds(8 * 960) - clock.seconds(4 * 960) == pytest.approx(2.4)


def test_tempo_words_are_integers_and_end_before_the_end():
    timeline = timeline_of('[A]\n| C | "rit." F(.) |')
    assert all(isinstance(point.us_per_quarter, int) for point in timeline.clock.tempos)
    assert timeline.clock.tempos[-1].tick < timeline.end_tick


def test_a_long_change_takes_longer_steps():
    events = [TempoEvent(0, "mark", Fraction(100)), TempoEvent(0, "rit")]
    assert len(tempo_points(events, (), 960 * 4 * 1000)) <= 256


def test_tempo_heads_count_the_note_they_name():
    chart = parse_chart('Time: 6/8\nTempo: q.=60\n| C | "e=240" F |')
    assert [round(p.quarter_bpm, 3) for p in build_timeline(chart).clock.tempos] == [90, 120]


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("[A] p\n| C | F |", [1, 1, 1, 1]),
        ('[A] p\n| C | "ff" F |', [1, 1, 5, 5]),
        # A ramp leads to the next mark ...
        ('[A] p\n| "cresc." C | "ff" F |', [1, 3, 5, 5]),
        ('[A] f\n| "dim." C | "p" F |', [4, 2.5, 1, 1]),
        # ... of the next section too; without one, one level by the end of the section.
        ('[A] p\n| "cresc." C |\n[B] f\n| F |', [1, 2.5, 4, 4]),
        ('[A] p\n| "cresc." C |\n[B]\n| F |', [1, 1.5, 2, 2]),
        ('[A] p\n| "dim." C |\n[B] f\n| F |', [1, 0.5, 4, 4]),
        ('[A] ff\n| "cresc." C | F |', [5, 5, 5, 5]),
        ("| C | F |", [3, 3, 3, 3]),
    ],
)
def test_levels_at_every_half_bar(text, levels):
    timeline = timeline_of(text)
    assert [timeline.level_at(tick) for tick in (0, 1920, 3840, 5760)] == levels


def test_equal_levels_are_said_once():
    events = [DynamicEvent(0, "mark", 3), DynamicEvent(960, "mark", 3)]
    assert len(dynamic_points(events, 1920)) == 1
