import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import KeyNameError
from generator.harmony.key import MODES, parse_key

# Signatures as any theory primer prints them (circle of fifths).
MAJOR = {"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F#": 6, "Gb": -6}
MAJOR |= {"F": -1, "Bb": -2, "Eb": -3, "Ab": -4, "Db": -5}
MINOR = {"A": 0, "E": 1, "B": 2, "F#": 3, "C#": 4, "G#": 5, "D#": 6, "Eb": -6}
MINOR |= {"Bb": -5, "F": -4, "C": -3, "G": -2, "D": -1}


@pytest.mark.parametrize(("tonic", "fifths"), MAJOR.items())
def test_major_keys(tonic, fifths):
    for text in (tonic, f"{tonic} major", f"{tonic} ionian"):
        assert parse_key(text).fifths == fifths
    assert parse_key(tonic).name == f"{tonic} major"


@pytest.mark.parametrize(("tonic", "fifths"), MINOR.items())
def test_minor_keys(tonic, fifths):
    for text in (f"{tonic}m", f"{tonic} minor", f"{tonic}-", f"{tonic} min", f"{tonic} aeolian"):
        assert parse_key(text).fifths == fifths
    assert parse_key(f"{tonic}m").name == f"{tonic} minor"


@pytest.mark.parametrize(
    ("name", "notes"),
    [
        ("E minor", "E F# G A B C D"),
        ("Gb", "Gb Ab Bb Cb Db Eb F"),
        ("F#", "F# G# A# B C# D# E#"),
        ("D dorian", "D E F G A B C"),
        ("E phrygian", "E F G A B C D"),
        ("Bb lydian", "Bb C D E F G A"),
        ("A mixolydian", "A B C# D E F# G"),
        ("B locrian", "B C D E F G A"),
    ],
)
def test_the_notes_of_a_key(name, notes):
    key = parse_key(name)
    assert " ".join(map(str, key.notes)) == notes
    assert key.pitch_classes == tuple(note.pitch_class for note in key.notes)


def test_words_and_signs_for_accidentals():
    assert parse_key("B♭ minor") == parse_key("B flat minor") == parse_key("B-flat minor")
    assert parse_key("F♯") == parse_key("F sharp major")
    assert parse_key("  D  Dorian ").name == "D dorian"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("C#", "C# major would have 7 sharps: write Db major"),
        ("Cb", "Cb major would have 7 flats: write B major"),
        ("G# major", "G# major would have 8 sharps: write Ab major"),
        ("A#m", "A# minor would have 7 sharps: write Bb minor"),
        ("Ab minor", "Ab minor would have 7 flats: write G# minor"),
        ("F# lydian", "F# lydian would have 7 sharps: write Gb lydian"),
        ("A dorain", "'A dorain': no mode 'dorain': did you mean A dorian?"),
        (
            "e minor",
            (
                "'e minor' is no key: write a tonic, A to G, and a mode, as Bb or E minor; "
                "did you mean E minor?"
            ),
        ),
        (
            "H",
            "'H' is no key: write a tonic, A to G, and a mode, as Bb or E minor; B or Bb?",
        ),
        (
            "C blues",
            (
                "'C blues': no mode 'blues': modes are major, minor, ionian, dorian, phrygian, "
                "lydian, mixolydian, aeolian, locrian"
            ),
        ),
    ],
)
def test_a_key_that_nobody_writes_is_refused_with_the_one_to_write(text, message):
    with pytest.raises(KeyNameError) as caught:
        parse_key(text)
    assert str(caught.value) == message


@given(st.text(max_size=60) | st.text("ABCDEFGb#m minorajdl-", max_size=20))
def test_any_text_is_a_key_or_a_key_error(text):
    try:
        key = parse_key(text)
    except KeyNameError:
        return
    assert parse_key(key.name) == key
    assert abs(key.fifths) <= 6
    assert len({note.letter for note in key.notes}) == 7


def test_every_mode_holds_the_notes_of_its_major_key():
    for mode, shift in MODES.items():
        for fifths in range(-6, 7):
            tonic = parse_key("C").tonic.shifted(fifths - shift)
            key = parse_key(f"{tonic} {mode}")
            assert key.fifths == fifths
            major = parse_key(f"{parse_key('C').tonic.shifted(fifths)}")
            assert set(key.notes) == set(major.notes)
