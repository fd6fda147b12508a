"""Choruses left out of a timeline, against the timeline of a chart that asks for fewer."""

from dataclasses import fields, replace

import pytest

from generator.band.ending import slowed_ending
from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline
from generator.timeline.cut import comes_round, without_choruses
from generator.timeline.model import Timeline

PLAIN = "Tempo: q=96\n[A] mf\n| C | F / G / | Am | <G7 |\n"
RICH = """Tempo: q=120
Time: 3/4
Count-in: 1
[Intro] p
| C | G |
[A] mf
| C | F | "cresc." G | C/E |
[A] f
| %% | F | r / / | N.C. |
[B] mp
|: Am | Dm / <G7 :|
[Outro] ff
| C | C<> |
"""
GOES_ON = "Tempo: q=200\n[A]\n| C | / / / / | F | C |\n[B]\n| / / / / | G |\n[A]\n| / / / / | C |\n"


def timeline(text: str, choruses: int) -> Timeline:
    return build_timeline(parse_chart(text), choruses=choruses)


@pytest.mark.parametrize("text", [PLAIN, RICH, GOES_ON])
@pytest.mark.parametrize(("choruses", "first", "last"), [(5, 2, 2), (9, 3, 7), (12, 2, 11)])
def test_what_is_left_is_what_a_chart_with_fewer_choruses_gives(
    text: str, choruses: int, first: int, last: int
) -> None:
    whole = timeline(text, choruses)
    assert comes_round(whole)
    cut, fewer = without_choruses(whole, first, last), timeline(text, choruses - (last - first + 1))
    for field in fields(Timeline):
        assert getattr(cut, field.name) == getattr(fewer, field.name), field.name
    assert cut == fewer


def test_the_slowing_down_at_the_end_is_kept() -> None:
    cut = without_choruses(slowed_ending(timeline(PLAIN, 9)), 3, 6)
    assert cut == slowed_ending(timeline(PLAIN, 5))


@pytest.mark.parametrize(
    ("text", "choruses"),
    [(PLAIN, 3), ('Tempo: q=96\n[A]\n| C | "rit." F |\n[B]\n| G | C |\n', 9)],
)
def test_too_few_choruses_or_tempos_that_change_do_not_come_round(text: str, choruses: int) -> None:
    assert not comes_round(timeline(text, choruses))


def test_a_chorus_that_differs_does_not_come_round() -> None:
    whole = timeline(PLAIN, 9)
    chords = list(whole.chords)
    chords[21] = replace(chords[21], chord=chords[20].chord)
    assert comes_round(whole)
    assert not comes_round(replace(whole, chords=tuple(chords)))
