"""Chords in time: who holds how long, what is early, what comes back."""

import pytest

from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline


def rows(text):
    """Return (symbol or kind, beat from the start of the music, length in beats, early ticks)."""
    timeline = build_timeline(parse_chart("Count-in: 0\n" + text))
    return [
        (
            chord.chord.symbol if chord.chord else chord.kind,
            chord.start_tick / 960,
            (chord.end_tick - chord.start_tick) / 960,
            chord.start_tick - chord.sounds_tick,
        )
        for chord in timeline.chords
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("| C | F |", [("C", 0, 4, 0), ("F", 4, 4, 0)]),
        ("| C F |", [("C", 0, 2, 0), ("F", 2, 2, 0)]),
        # A slash holds the chord before it, over a bar line too: one element.
        ("| C / / F | / / / G |", [("C", 0, 3, 0), ("F", 3, 4, 0), ("G", 7, 1, 0)]),
        # A symbol that is written again is struck again.
        ("| C | C | % |", [("C", 0, 4, 0), ("C", 4, 4, 0), ("C", 8, 4, 0)]),
        # Rests that touch are one rest; a slash after a rest brings the chord back.
        ("| C r r / |", [("C", 0, 1, 0), ("rest", 1, 2, 0), ("C", 3, 1, 0)]),
        ("| C r r r | r r r r |", [("C", 0, 1, 0), ("rest", 1, 7, 0)]),
        ("| N.C. / F / |", [("no-chord", 0, 2, 0), ("F", 2, 2, 0)]),
        # Pushes: an eighth, a sixteenth, over a bar line.
        ("| C / <F / | <<G |", [("C", 0, 2, 0), ("F", 2, 2, 480), ("G", 4, 4, 240)]),
        ("| C / <F / | % |", [("C", 0, 2, 0), ("F", 2, 2, 480), ("C", 4, 2, 0), ("F", 6, 2, 480)]),
        # Two bars before.
        ("| C | F | %% | %% |", [("C", 0, 4, 0), ("F", 4, 4, 0), ("C", 8, 4, 0), ("F", 12, 4, 0)]),
        # A compound beat is a dotted quarter, an additive one a group.
        ("Time: 6/8\n| C F |", [("C", 0, 1.5, 0), ("F", 1.5, 1.5, 0)]),
        ("Time: 7/8 (2+2+3)\n| C / F |", [("C", 0, 2, 0), ("F", 2, 1.5, 0)]),
        ("Time: 2/2\n| C F |", [("C", 0, 2, 0), ("F", 2, 2, 0)]),
    ],
)
def test_chords_in_quarters(text, expected):
    assert rows(text) == expected


def test_articulations_and_beats():
    timeline = build_timeline(parse_chart("| C^ / F<> G(.) |"))
    assert [(c.beat, c.articulation) for c in timeline.chords] == [
        (1, "hit"), (3, "ring"), (4, "fermata"),
    ]  # fmt: skip


def test_a_chord_that_comes_back_after_a_rest_has_no_push_and_no_hit():
    timeline = build_timeline(parse_chart("| C | <F^ r / / |"))
    last = timeline.chords[-1]
    assert (last.chord.symbol, last.articulation) == ("F", "")
    assert last.sounds_tick == last.start_tick


def test_a_push_at_the_start_of_what_is_played_sounds_on_its_beat():
    chart = parse_chart("[A]\n| C |\n[B]\n| <F |")
    chord = build_timeline(chart, section="B").chords[0]
    assert chord.sounds_tick == chord.start_tick
