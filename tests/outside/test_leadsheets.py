"""Real lead sheets become charts and play as the reference library plays them.

Source: the two lead sheets with chord symbols in the corpus of music21 (BSD licence), a song of
1854 and one of 1911, both published before 1930 and so in the public domain in the United States.
music21 itself unfolds their repeats and endings (`expandRepeats`): the order of our bars and the
harmony on every quarter are compared with that.
"""

import pytest
from music21 import bar, corpus, harmony, spanner, stream

from generator.chart.model import Chart
from generator.chart.parser import parse_chart
from generator.chart.transpose import transpose_chart
from generator.harmony.transposition import key_after_semitones
from generator.timeline.build import build_timeline

SHEETS = ("leadSheet/fosterBrownHair", "leadSheet/berlinAlexandersRagtime")


@pytest.fixture(scope="module", params=SHEETS)
def part(request):
    return corpus.parse(request.param).parts[0]


def measures_of(part) -> list[stream.Measure]:
    return list(part.getElementsByClass(stream.Measure))


def symbols_of(measure: stream.Measure) -> dict[int, str]:
    """Return the chord symbols of a measure by quarter; music21 writes a flat as a minus."""
    found = measure.getElementsByClass(harmony.ChordSymbol)
    return {int(symbol.offset): symbol.figure.replace("-", "b") for symbol in found}


def endings_of(part) -> dict[int, str]:
    """Return the ending that starts in a measure, by measure number."""
    brackets = part.recurse().getElementsByClass(spanner.RepeatBracket)
    return {bracket.getFirst().number: f"{bracket.number}." for bracket in brackets}


def chart_of(part) -> Chart:
    """Write a lead sheet in 4/4 as a chart: one symbol a quarter."""
    text = ["Key: F", "Time: 4/4", "Tempo: q=100", "[Song]"]
    endings, closed, seen = endings_of(part), True, False
    line = ""
    for measure in measures_of(part):
        symbols = symbols_of(measure)
        beats = [symbols.get(quarter, "/") for quarter in range(4)]
        if not seen and beats[0] == "/":
            beats[0] = "N.C."
        seen = True
        opens = isinstance(measure.leftBarline, bar.Repeat) or (
            measure.leftBarline is not None and measure.leftBarline.type == "heavy-light"
        )
        closes = isinstance(measure.rightBarline, bar.Repeat)
        if closed or opens:
            line += "|:" if opens else "|"
        line += f"{endings.get(measure.number, '')} {' '.join(beats)} {':|' if closes else '|'}"
        closed = False
        if measure.number % 4 == 0 and not closes:
            text.append(line)
            line, closed = "", True
    return parse_chart("\n".join([*text, line]) + "\n", part.id or "sheet")


def test_bars_are_played_in_the_order_of_the_reference(part):
    timeline = build_timeline(chart_of(part))
    expanded = [measure.number for measure in measures_of(part.expandRepeats())]
    first = measures_of(part)[0].number
    assert [bar.written - 1 + first for bar in timeline.bars] == expanded
    assert len(expanded) > len(measures_of(part))  # there is something to repeat


def test_every_quarter_holds_the_chord_of_the_reference(part):
    timeline = build_timeline(chart_of(part))
    holding = None
    for played, measure in zip(timeline.bars, measures_of(part.expandRepeats()), strict=True):
        symbols = symbols_of(measure)
        for quarter, tick in enumerate(played.beat_ticks):
            holding = symbols.get(quarter, holding)
            ours = timeline.chord_at(tick)
            if holding is None:
                assert ours.kind == "no-chord"
                continue
            theirs = harmony.ChordSymbol(holding.replace("b", "-"))
            assert ours.chord is not None
            assert set(ours.chord.pitch_classes) == {pitch.pitchClass for pitch in theirs.pitches}


@pytest.mark.parametrize("semitones", range(12))
def test_a_lead_sheet_plays_in_every_key(part, semitones):
    chart = chart_of(part)
    plain = build_timeline(chart)
    moved = build_timeline(transpose_chart(chart, key_after_semitones(chart.key, semitones)))
    assert [bar.start_tick for bar in moved.bars] == [bar.start_tick for bar in plain.bars]
    for before, after in zip(plain.chords, moved.chords, strict=True):
        if before.chord is None or after.chord is None:
            assert before.chord is after.chord
        else:
            expected = (before.chord.root.pitch_class + semitones) % 12
            assert after.chord.root.pitch_class == expected
            assert after.chord.quality == before.chord.quality
