"""Charts unfolded: order, numbers, count-in, sections, keys, stop-time, options."""

from fractions import Fraction

import pytest

from generator.chart.meter import Meter
from generator.chart.parser import parse_chart
from generator.errors import ChartError, OptionError
from generator.timeline.build import build_timeline
from generator.timeline.summary import summarize


def timeline_of(text, **options):
    return build_timeline(parse_chart(text, "x.chart"), **options)


def order(text, **options):
    return [bar.written for bar in timeline_of(text, **options).bars]


FORM = """Tempo: q=120
[Intro] p
| C |
[A] mf
|: F | G :|
[B] f
| Am |
[A2]
| F |
[Outro]
| C |"""


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("| C | F :|", [1, 2, 1, 2]),
        ("|: C | F :| x3", [1, 2] * 3),
        ("|: C |1. F :|2. G |", [1, 2, 1, 3]),
        ("|: C |1-2. F :|3. G |", [1, 2, 1, 2, 1, 3]),
        ('| C | F "D.C." | G |', [1, 2, 1, 2, 3]),
        ('| C "Fine" | F "D.C. al Fine" |', [1, 2, 1]),
        ('| C | "Segno" F "Fine" | G "D.S. al Fine" |', [1, 2, 3, 2]),
        ('| C "To Coda" | F "D.C. al Coda" | "Coda" G |', [1, 2, 1, 3]),
        ('|: C | F "Fine" :| G "D.C. al Fine" |', [1, 2, 1, 2, 3, 1, 2]),
        ('|: C |1. F :|2. G "D.C." | Am |', [1, 2, 1, 3, 1, 3, 4]),
        ('| "Segno" C | F "D.S." | G "D.S." | Am |', [1, 2, 1, 2, 3, 1, 2, 3, 4]),
    ],
)
def test_repeats_endings_and_jumps(body, expected):
    assert order(body) == expected


@pytest.mark.parametrize("jump", ["D.C.", "D.S."])
@pytest.mark.parametrize("goal", ["", " al Fine", " al Coda"])
def test_every_jump_goes_back_and_ends_as_it_says(jump, goal):
    """Bars 1 Segno on 2, To Coda and Fine after 3, the jump after 4, the Coda from 5."""
    fine = '"Fine"' if goal == " al Fine" else ""
    to_coda = '"To Coda"' if goal == " al Coda" else ""
    back = [1, 2] if jump == "D.C." else [2]
    tail = {"": [3, 4, 5], " al Fine": [3], " al Coda": [3, 5]}[goal]
    body = f'| C | "Segno" F | G {fine} {to_coda} | Am "{jump}{goal}" | "Coda" C |'
    assert order(body) == [1, 2, 3, 4, *back, *tail]


def test_a_jump_that_is_met_again_never_ends():
    with pytest.raises(ChartError, match=r'"D\.S\. al Coda" never ends'):
        timeline_of('| C "To Coda" | "Segno" F | G "D.S. al Coda" |\n[Coda]\n| C |')


def test_bars_know_number_pass_chorus_and_section():
    timeline = timeline_of("Pickup: 1\nChoruses: 2\n| G7 |\n[A]\n|: C :|\n[Outro]\n| F |")
    rows = [(b.number, b.written, b.chorus, b.repeat_pass, b.section) for b in timeline.bars]
    assert rows == [
        (0, 0, 1, 1, 0), (1, 1, 1, 1, 1), (2, 1, 1, 2, 2), (3, 1, 2, 1, 3), (4, 1, 2, 2, 4),
        (5, 2, 2, 1, 5),
    ]  # fmt: skip
    assert [(s.label, s.repeat_pass) for s in timeline.sections] == [
        ("", 1), ("A", 1), ("A", 2), ("A", 3), ("A", 4), ("Outro", 1),
    ]  # fmt: skip
    assert timeline.choruses == 2


def test_choruses_repeat_what_lies_between_intro_and_outro():
    assert order(FORM, choruses=2) == [1, 2, 3, 2, 3, 4, 5, 2, 3, 2, 3, 4, 5, 6]


def test_phrases_end_before_sections_repeats_and_double_bars():
    timeline = timeline_of("[A]\n| C | F || G |: C :| F |\n[B]\n| C |")
    ends = [bar.written for bar in timeline.bars if bar.ends_phrase]
    assert ends == [2, 3, 4, 4, 5, 6]


def test_a_meter_inside_a_bar_starts_a_bar_of_its_own():
    timeline = timeline_of("| C / / F 2/4 G | 3/4 C |")
    assert [(b.number, b.written, str(b.meter)) for b in timeline.bars] == [
        (1, 1, "4/4"), (2, 1, "2/4"), (3, 2, "3/4"),
    ]  # fmt: skip
    assert [b.end_tick - b.start_tick for b in timeline.bars] == [3840, 1920, 2880]
    assert not timeline.bars[0].ends_phrase


def test_going_back_brings_back_meter_key_tempo_and_level():
    timeline = timeline_of('Tempo: q=100\n[A] p\n| C | "Key: E" "q=150" "ff" 3/4 E | B7 "D.C." |')
    again = timeline.bars[3]
    assert (again.meter, again.key.name) == (Meter(4, 4), "C major")
    assert timeline.clock.quarter_bpm(again.start_tick) == 100
    assert timeline.level_at(again.start_tick) == 1


@pytest.mark.parametrize(
    ("head", "options", "clicks", "first"),
    [
        ("", {}, [0, 960, 1920, 2880], 3840),
        ("Count-in: 2", {}, [i * 960 for i in range(8)], 7680),
        ("", {"count_in_bars": 0}, [], 0),
        ("Time: 6/8", {}, [0, 1440], 2880),
        ("Time: 7/8 (2+2+3)", {}, [0, 960, 1920], 3360),
        # With a pickup the count stops where the pickup starts.
        ("Pickup: 1", {}, [0, 960, 1920], 2880),
        ("Pickup: 1", {"count_in_bars": 2}, [i * 960 for i in range(7)], 6720),
        ("Pickup: 1/2", {}, [0, 960, 1920, 2880], 3360),
        ("Pickup: 3", {}, [0], 960),
        ("Pickup: 1", {"count_in_bars": 0}, [], 0),
    ],
)
def test_the_count_in(head, options, clicks, first):
    timeline = timeline_of(f"{head}\n| C |\n[A]\n| F |", **options)
    assert list(timeline.count_in_ticks) == clicks
    assert timeline.first_tick == timeline.bars[0].start_tick == first


def test_the_count_in_has_the_first_tempo_and_meter():
    timeline = timeline_of('Tempo: q=120\n[A] "q=60"\n| 3/4 C |')
    assert timeline.count_in_ticks == (0, 960, 1920)
    assert [point.quarter_bpm for point in timeline.clock.tempos] == [60]


def test_a_pickup_is_as_loud_as_the_section_it_leads_into():
    heard = [
        [section.dynamic for section in timeline_of(text).sections]
        for text in (
            "Pickup: 1\n| C |\n[A] p\n| C |",
            "Pickup: 1\n| C |\n[A]\n| C |",
            "Pickup: 1\n[A]\n| C | C |\n[B] p\n| C |",
        )
    ]
    assert heard == [["p", "p"], ["mf", "mf"], ["mf", "p"]]


def test_a_pickup_holds_the_last_beats_of_the_meter():
    timeline = timeline_of("Time: 7/8 (2+2+3)\nPickup: 1\n| C |\n[A]\n| F |")
    assert timeline.bars[0].end_tick - timeline.bars[0].start_tick == 1440


def test_stop_time_lasts_to_the_end_of_the_section():
    timeline = timeline_of('[A]\n| C "stop-time" | F | G / "stop-time" / / |\n[B]\n| C |')
    start = timeline.bars[1].start_tick
    assert timeline.stops == ((start, timeline.bars[2].end_tick),)


def test_stop_time_is_not_on_when_its_repeat_starts_again():
    timeline = timeline_of('[A]\n|: C | "stop-time" F :|')
    bars = timeline.bars
    assert timeline.stops == (
        (bars[1].start_tick, bars[1].end_tick),
        (bars[3].start_tick, bars[3].end_tick),
    )


def test_keys_change_inside_a_bar():
    timeline = timeline_of('Key: C\n| C / "Key: A" A / | E7 |')
    assert [bar.key.name for bar in timeline.bars] == ["C major", "A major"]
    assert [chord.key.name for chord in timeline.chords] == ["C major", "A major", "A major"]


def test_one_section_alone():
    timeline = timeline_of(FORM, section="a")
    assert [bar.written for bar in timeline.bars] == [2, 3, 2, 3]
    assert timeline.bars[0].number == 1
    assert [section.dynamic for section in timeline.sections] == ["mf", "mf"]
    assert timeline.level_at(timeline.first_tick) == 3


def test_a_section_that_is_not_there_names_the_nearest():
    with pytest.raises(OptionError, match=r"no section 'Intor' is played: did you mean Intro\?"):
        timeline_of(FORM, section="Intor")
    with pytest.raises(OptionError, match="names no section"):
        timeline_of("| C |", section="A")


def test_a_section_that_starts_with_a_slash_has_no_chord_alone():
    text = "[A]\n| C |\n[B]\n| / / F / |"
    assert len(timeline_of(text).chords) == 2
    with pytest.raises(ChartError, match=r"x\.chart:4:3: what is played starts with this /"):
        timeline_of(text, section="B")


@pytest.mark.parametrize(
    ("options", "bpm"),
    [
        ({}, [100, 50]),
        ({"tempo_scale": Fraction(1, 2)}, [50, 25]),
        ({"quarter_bpm": Fraction(80)}, [80, 40]),
        ({"quarter_bpm": 80, "tempo_scale": Fraction(3, 2)}, [120, 60]),
    ],
)
def test_tempo_options_keep_proportions(options, bpm):
    timeline = timeline_of('Tempo: q=100\n| C | "q=50" F |', **options)
    assert [round(point.quarter_bpm, 3) for point in timeline.clock.tempos] == bpm


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"choruses": 0}, "0 choruses: give 1 to 1000"),
        ({"count_in_bars": -1}, "-1 count-in bars: give 0 to 8"),
        ({"quarter_bpm": 5}, "a tempo of 5 quarters a minute: stay between 20 and 400"),
        ({"tempo_scale": float("nan")}, "the tempo is no number"),
    ],
)
def test_options_out_of_range_are_refused(options, words):
    with pytest.raises(OptionError, match=words):
        timeline_of("[A]\n| C |", **options)


def test_choruses_need_a_section_to_repeat():
    with pytest.raises(OptionError, match="no section to repeat"):
        timeline_of("[Intro]\n| C |", choruses=2)


def test_a_form_repeats_each_section_as_it_is_written():
    assert order("Form: B A B\n[A]\n|: C :|\n[B]\n| F |") == [2, 1, 1, 2]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (FORM, "Intro 1, A 2 x2, B 1, A2 1, Outro 1; 8 bars, 0:16"),
        ("Tempo: q=60\nPickup: 1\n| C |\n[A]\n| C |", "pickup, A 1; 1 bar, 0:05"),
        ("Tempo: q=120\n| C | F |", "2 bars, 0:04"),
        ("Tempo: q=60\n[A]\n|: C :| x1000", "A 1 x1000; 1000 bars, 1:06:40"),
    ],
)
def test_the_form_in_the_words_of_a_musician(text, words):
    assert summarize(timeline_of(text)) == words


def test_choruses_are_summed_up():
    words = "Intro 1, 3 choruses of (A 2 x2, B 1, A2 1), Outro 1; 20 bars, 0:40"
    assert summarize(timeline_of(FORM, choruses=3)) == words
