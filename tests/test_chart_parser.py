"""Reading charts: what each construct becomes, and what a malformed one is told."""

import io
from fractions import Fraction

import pytest

from generator.chart.format import format_chart
from generator.chart.meter import Meter, Tempo
from generator.chart.model import (
    ChordItem,
    Feel,
    MeterItem,
    NoChordItem,
    RestItem,
    SimileItem,
    SlashItem,
)
from generator.chart.parser import parse_chart, read_chart
from generator.chart.transpose import transpose_chart
from generator.errors import ChartError, KeyNameError
from generator.harmony.key import parse_key

# The malformed input that must teach, in 4/4 (or with the head that is at fault): the text, the
# column of the caret, and words that the message must hold. `None`: no column was asked for.
TEACHING = [
    ("| C / / / / |", 11, ["beat 5", "drop it", "5/4"]),
    ("| C / / |", 9, ["1 beat short", "add /", "r"]),
    ("| C F G |", 3, ["can't share", "evenly"]),
    ("| H7 |", 3, ["A to G", "B or Bb?"]),
    ("| am |", 3, ["did you mean Am?"]),
    ("| Cm7b4 |", 6, ["no b4", "b5 or add11?"]),
    ("| C7(b9 |", 5, ["(", "closes", ")"]),
    ("| C/H |", 5, ["bass", "must be a note"]),
    ("| Csus4sus2 |", 8, ["suspension", "pick one"]),
    ("| % |", 3, ["before", "to repeat"]),
    ("| / C |", 3, ["no chord yet"]),
    ("| |", None, ["empty bar", "%", "N.C."]),
    ("|: C | F |", None, ["repeat never closes", ":|"]),
    ("| C :| F :|", None, ["no |:"]),
    ("|: C |1. F :| G |", None, ["ending 2 is missing"]),
    ("| C |2. F :|", None, ["no first ending"]),
    ('| C | F "To Coda" | G "D.S. al Coda" |\n[Coda]\n| C |', None, ['without "Segno"']),
    ('| "Segno" C | F | G "D.S. al Coda" |\n[Coda]\n| C |', None, ['without "To Coda"']),
    ("| C^(.) |", None, ["hit or fermata, not both"]),
    ("| <C |", 3, ["a push needs something before it"]),
    ("[A mf\n| C |", None, ["close it with ]"]),
    ("[A] mff\n| C |", None, ["pp, p, mp, mf, f or ff"]),
    ("Time: 7/8 (2+2+2)\n| C |", None, ["groups sum to 6"]),
    ("Tempo: fast\n| C |", None, ["q=120"]),
    ("Style: samba-punk\n| C |", None, ["unknown style", "bossa-nova"]),
    ('| C "Fine" | "Segno" F | G "D.S. al Fine" |', None, ["never ends"]),
]


@pytest.mark.parametrize(("text", "column", "words"), TEACHING)
def test_malformed_input_teaches(text, column, words):
    with pytest.raises(ChartError) as caught:
        parse_chart(text, "x.chart", ("bossa-nova", "medium-swing"))
    (problem,) = caught.value.problems
    if column is not None:
        assert problem.column == column
    for word in words:
        assert word in problem.message


def test_the_message_shows_file_line_column_source_and_caret():
    with pytest.raises(ChartError) as caught:
        parse_chart("[A]\n| C / / |", "tune.chart")
    assert str(caught.value) == (
        "tune.chart:2:9: the bar is 1 beat short of 4/4; add / or r\n    | C / / |\n            ^"
    )
    assert caught.value.exit_code == 2


def test_every_problem_is_reported_in_one_run_in_the_order_of_the_text():
    text = 'Tempo: fast\n[A] mff\n| C F G | H |\n| C "D.S." |\n|: C |'
    with pytest.raises(ChartError) as caught:
        parse_chart(text)
    places = [(problem.line, problem.column) for problem in caught.value.problems]
    assert places == [(1, 8), (2, 5), (3, 3), (3, 11), (4, 5), (5, 1)]


def test_items_are_read_as_they_are_written():
    chart = parse_chart("| C / <Am7/G^ r | 3/4 N.C.(.) / <<F<> | % |")
    first, second, third = chart.sections[0].bars
    assert [type(item) for item in first.items] == [ChordItem, SlashItem, ChordItem, RestItem]
    pushed = first.items[2]
    assert (pushed.chord.symbol, pushed.push_quarters, pushed.articulation) == (
        "Am7/G", Fraction(1, 2), "hit",
    )  # fmt: skip
    assert [type(item) for item in second.items] == [MeterItem, NoChordItem, SlashItem, ChordItem]
    assert (second.items[1].articulation, second.items[3].articulation) == ("fermata", "ring")
    assert second.items[3].push_quarters == Fraction(1, 4)
    assert third.items == (SimileItem(1),)


def test_every_element_knows_its_place():
    chart = parse_chart('Key: C\n[A] "Segno"\n| C | <F^ "rit." / r / |')
    section = chart.sections[0]
    assert (section.span.line, section.span.column, section.span.length) == (2, 1, 3)
    assert section.directions[0].span.column == 5
    chord, direction, slash, rest, _ = section.bars[1].items
    assert [item.span.column for item in (chord, direction, slash, rest)] == [7, 11, 18, 20]
    assert chord.span.length == 3


def test_heads_and_their_defaults():
    chart = parse_chart("| C |", "folder/slow_air.chart")
    assert (chart.title, chart.key.name, chart.meter) == ("slow air", "C major", Meter(4, 4))
    assert chart.tempo == Tempo(Fraction(1), Fraction(120))
    assert (chart.feel, chart.style, chart.choruses, chart.count_in_bars) == (None, None, 1, 1)
    chart = parse_chart("time: 6/8\nTEMPO: 60\nFeel: swing sixteenths 58%\n| C |")
    assert chart.tempo == Tempo(Fraction(3, 2), Fraction(60))
    assert chart.feel == Feel(True, Fraction(1, 4), Fraction(58, 100))


def test_a_bare_tempo_counts_the_shortest_beat_of_an_uneven_meter():
    assert parse_chart("Time: 7/8\nTempo: 100\n| C |").tempo.unit_quarters == 1


def test_bars_are_numbered_as_written_with_a_pickup_as_zero():
    chart = parse_chart("Pickup: 1\n| C |\n[A]\n| C | F |")
    assert [bar.number for section in chart.sections for bar in section.bars] == [0, 1, 2]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_lines_end_as_on_any_system(newline):
    chart = parse_chart(newline.join(["\ufeffTitle: Air", "[A]", "| C |", "", "| F |"]))
    assert (chart.title, len(chart.sections[0].bars)) == ("Air", 2)


def test_a_chart_is_read_from_standard_input(monkeypatch):
    class Input:
        buffer = io.BytesIO("Title: Über\n| C |".encode())

    monkeypatch.setattr("sys.stdin", Input)
    chart = read_chart("-")
    assert (chart.title, chart.source_name) == ("Über", "<stdin>")


@pytest.mark.parametrize("name", ["missing.chart", "."])
def test_a_chart_that_cannot_be_opened_is_an_input_error(tmp_path, name):
    with pytest.raises(ChartError, match=r"cannot read the chart: .*give the path"):
        read_chart(tmp_path / name)


def test_the_hash_is_that_of_the_text():
    a, b = parse_chart("| C |"), parse_chart("| C | ; the same bars")
    assert a == b
    assert a.sha256 != b.sha256
    assert len(a.sha256) == 64


def test_printing_normalises_and_keeps_titles_on_one_line():
    text = format_chart(parse_chart("Title:  Two   Words \nKey: Gm\n[A]ff\n|C-7 / B♭ /|%:|x 3"))
    assert text == (
        "Title: Two Words\nKey: G minor\nTime: 4/4\nTempo: q=120\n\n"
        "[A] ff\n| Cm7 / Bb / | % :| x3\n"
    )


def test_transposing_moves_chords_basses_and_keys():
    chart = parse_chart('Key: C\n| C/E | Am7 "Key: A minor" | E7#9 |')
    moved = transpose_chart(chart, parse_key("Eb"))
    assert format_chart(moved).splitlines()[-1] == '| Eb/G | Cm7 "Key: C minor" | G7#9 |'
    with pytest.raises(KeyNameError, match="the mode stays"):
        transpose_chart(chart, parse_key("C minor"))


def test_a_key_inside_that_nobody_writes_takes_its_other_name():
    chart = parse_chart('Key: C\n| C | "Key: E" E | B7 |')
    moved = transpose_chart(chart, parse_key("A"))
    assert '"Key: C# major"' not in format_chart(moved)
    assert format_chart(moved).splitlines()[-1] == '| A | "Key: Db major" Db | Ab7 |'
