import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import KeyNameError
from generator.harmony.key import Key, parse_key
from generator.harmony.spelling import NoteName
from generator.harmony.transposition import (
    capo_key,
    fifths_to_key,
    key_after_semitones,
    transposed_note,
    written_key,
)

keys = st.builds(
    lambda signature, mode_shift: Key(
        NoteName.from_fifths(signature - mode_shift[1]), mode_shift[0]
    ),
    st.integers(-6, 6),
    st.sampled_from([("major", 0), ("minor", -3), ("dorian", -2), ("lydian", 1)]),
)


@given(keys, st.integers(-12, 12))
def test_a_key_moves_by_semitones_to_a_key_that_is_written(key, semitones):
    moved = key_after_semitones(key, semitones)
    assert (moved.tonic.pitch_class - key.tonic.pitch_class - semitones) % 12 == 0
    assert parse_key(moved.name) == moved
    if abs(moved.fifths) == 6 and key.fifths:
        assert (moved.fifths > 0) == (key.fifths > 0)


@given(keys, st.integers(-12, 12))
def test_fifths_between_keys_carry_every_note_of_the_key(key, semitones):
    target = key_after_semitones(key, semitones)
    fifths = fifths_to_key(key, target)
    moved = [transposed_note(note, fifths, target) for note in key.notes]
    assert tuple(moved) == target.notes
    assert [transposed_note(note, -fifths, key) for note in moved] == list(key.notes)


@pytest.mark.parametrize(
    ("source", "semitones", "target"),
    [
        ("G", -1, "F#"),
        ("F", 1, "Gb"),
        ("A", 9, "F#"),
        ("Eb", 3, "Gb"),
        ("Em", -1, "D#m"),
        ("Gm", -4, "Ebm"),
        ("C", 6, "F#"),
        ("C", -6, "Gb"),
        ("C", 1, "Db"),
        ("Am", -1, "G#m"),
        ("Gb", 12, "Gb"),
        ("D dorian", 2, "E dorian"),
    ],
)
def test_six_accidentals_keep_the_side_of_the_source(source, semitones, target):
    assert key_after_semitones(parse_key(source), semitones) == parse_key(target)


def test_the_mode_stays():
    with pytest.raises(KeyNameError, match="the mode stays; write G minor"):
        fifths_to_key(parse_key("E minor"), parse_key("G"))
    assert fifths_to_key(parse_key("E aeolian"), parse_key("G minor")) == -3


@pytest.mark.parametrize(
    ("reader", "concert", "written"),
    [
        ("bb", "Bb", "C"),
        ("bb", "Em", "F#m"),
        ("bb", "B", "Db"),
        ("eb", "Eb", "C"),
        ("eb", "C", "A"),
        ("eb", "Gm", "Em"),
        ("f", "F", "C"),
        ("f", "D", "A"),
        ("Bb", "C", "D"),
    ],
)
def test_a_concert_key_as_a_transposing_instrument_reads_it(reader, concert, written):
    """Bb: a major second up; Eb: a major sixth up; F: a fifth up (standard organology)."""
    assert written_key(parse_key(concert), reader) == parse_key(written)


def test_an_unknown_reader_is_refused():
    with pytest.raises(KeyNameError, match="no instrument in 'g': write bb, eb or f"):
        written_key(parse_key("C"), "g")


@pytest.mark.parametrize(
    ("frets", "sounding", "shapes"),
    [(0, "E", "E"), (1, "F", "E"), (2, "Em", "Dm"), (3, "Bb", "G"), (3, "Eb", "C"), (4, "B", "G")],
)
def test_a_capo_names_the_shapes(frets, sounding, shapes):
    assert capo_key(parse_key(sounding), frets) == parse_key(shapes)


@pytest.mark.parametrize("frets", [-1, 12])
def test_a_capo_sits_on_the_neck(frets):
    with pytest.raises(KeyNameError, match="write 0 to 11"):
        capo_key(parse_key("C"), frets)
