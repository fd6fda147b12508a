"""Folding played bars into repeats and endings: playing the result gives the same bars."""

import pytest
from chordmap_charts import FUNK, map_of
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.chordmap.export.folding import bar_contents, fold


def played(bars):
    """Play printed bars as a musician does: repeats go back once an ending allows it."""
    order, at, opened, turn = [], 0, 0, 1
    while at < len(bars):
        bar = bars[at]
        if bar.opens and opened != at:
            opened, turn = at, 1
        if bar.ending and turn not in bar.ending:  # over to the ending of this pass
            at = next(i for i in range(at + 1, len(bars)) if turn in bars[i].ending)
            continue
        order.append(bar.index)
        if bar.times and turn < bar.times:
            at, turn = opened, turn + 1
            continue
        at += 1
    return order


def folded(written, sounds=None):
    return fold(written, sounds or written)


@pytest.mark.parametrize(
    ("written", "printed"),
    [
        ([1, 2, 3], [1, 2, 3]),
        ([1, 2, 1, 2, 3], [1, 2, 3]),
        ([1, 2, 1, 2, 1, 2, 3], [1, 2, 3]),
        ([1, 2, 3, 1, 2, 4, 5], [1, 2, 3, 4, 5]),
        ([1, 2, 3, 1, 2, 3, 1, 2, 4], [1, 2, 3, 4]),
        ([0, 1, 2, 1, 2], [0, 1, 2]),
        ([1, 2, 1, 2, 3, 4, 3, 4], [1, 2, 3, 4]),
        ([1, 2, 3, 4, 1, 2], [1, 2, 3, 4, 1, 2]),  # D.C. al Fine stays written out
    ],
)
def test_repeats_and_endings_are_found(written, printed):
    bars = folded(written)
    assert [written[bar.index] for bar in bars] == printed
    assert [written[index] for index in played(bars)] == written


def test_endings_name_their_passes():
    bars = folded([1, 2, 3, 1, 2, 3, 1, 2, 4])
    assert [(bar.ending, bar.times) for bar in bars] == [
        ((), 0),
        ((), 0),
        ((1, 2), 3),
        ((3,), 0),
    ]


def test_bars_that_sound_different_are_not_folded():
    assert len(fold([1, 2, 1, 2], ["a", "b", "a", "c"])) == 4


def test_an_ending_holds_no_section():
    """A coda after a jump back looks like a second ending; it stays written out."""
    written = [1, 2, 3, 1, 2, 4]
    assert len(fold(written, written)) == 4
    assert len(fold(written, written, section_starts={0, 5})) == 6
    assert len(fold(written, written, section_starts={0, 2})) == 6


def test_a_form_of_repeats_and_endings_is_as_written():
    song = map_of(FUNK)
    bars = fold([bar.written for bar in song.bars], bar_contents(song))
    assert [song.bars[bar.index].written for bar in bars] == list(range(1, 13))


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.sampled_from("ab")), max_size=40))
def test_playing_gives_any_sequence_back(rows):
    written, sounds = [row[0] for row in rows], [row[1] for row in rows]
    order = played(fold(written, sounds))
    assert [rows[index] for index in order] == rows


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_playing_gives_forms_back(data):
    """Sequences as charts make them: blocks repeated, with and without endings."""
    written, number = [], 1
    for _ in range(data.draw(st.integers(1, 4))):
        size = data.draw(st.integers(1, 4))
        block = list(range(number, number + size))
        times = data.draw(st.integers(1, 3))
        shared = data.draw(st.integers(0, size - 1)) if times > 1 else 0
        number += size
        if shared:
            last = list(range(number, number + data.draw(st.integers(1, 2))))
            number += len(last)
            written += block * (times - 1) + block[:shared] + last
        else:
            written += block * times
    bars = folded(written)
    assert [written[index] for index in played(bars)] == written
    assert len(bars) == number - 1
