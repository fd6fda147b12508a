import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import ChordError
from generator.harmony.spelling import Degree, NoteName

NAMES = [letter + sign for letter in "ABCDEFG" for sign in ("", "b", "#", "bb", "##")]
notes = st.sampled_from(NAMES).map(NoteName.parse)


def test_the_line_of_fifths_reads_as_musicians_say_it():
    line = [NoteName.from_fifths(n).name for n in range(-7, 8)]
    assert line == "Cb Gb Db Ab Eb Bb F C G D A E B F# C#".split()


@given(notes)
def test_a_name_is_its_place_on_the_line_of_fifths(note):
    assert NoteName.from_fifths(note.fifths) == note
    assert NoteName.parse(note.name) == note
    assert note.pitch_class == note.fifths * 7 % 12


@pytest.mark.parametrize(
    ("root", "degree", "note"),
    [
        ("C", "b3", "Eb"),
        ("Ab", "b3", "Cb"),
        ("B", "#5", "F##"),
        ("Eb", "bb7", "Dbb"),
        ("F#", "7", "E#"),
        ("E", "#9", "F##"),
        ("Bb", "#11", "E"),
        ("Db", "b13", "Bbb"),
    ],
)
def test_tones_are_spelled_by_letter(root, degree, note):
    assert NoteName.parse(root).above(Degree.parse(degree)).name == note


@given(notes, st.integers(1, 13), st.integers(-2, 2))
def test_a_tone_lies_as_many_semitones_above_as_its_degree_says(note, number, alteration):
    degree = Degree(number, alteration)
    assert (note.above(degree).pitch_class - note.pitch_class - degree.semitones) % 12 == 0
    steps = "CDEFGAB".index(note.above(degree).letter) - "CDEFGAB".index(note.letter)
    assert (steps - (number - 1)) % 7 == 0


def test_musical_signs_are_read():
    assert NoteName.parse("B♭") == NoteName("B", -1)
    assert NoteName.parse("F𝄪") == NoteName.parse("Fx") == NoteName("F", 2)


@pytest.mark.parametrize("text", ["", "H", "c", "C###", "Cb#", "C4", " C"])
def test_what_is_no_note_is_refused(text):
    with pytest.raises(ChordError, match="is no note: write a letter A to G"):
        NoteName.parse(text)


@pytest.mark.parametrize("text", ["", "b", "0", "14", "x5", "5b", "²"])
def test_what_is_no_degree_is_refused(text):
    with pytest.raises(ValueError, match="is no degree"):
        Degree.parse(text)
