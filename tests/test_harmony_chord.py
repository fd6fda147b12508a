from itertools import combinations

import pytest
from harmony_tables import ROWS, pitch_classes_on_c
from hypothesis import example, given
from hypothesis import strategies as st

from generator.errors import ChordError
from generator.harmony.chord import Chord, parse_chord
from generator.harmony.key import parse_key
from generator.harmony.quality import ALTERATIONS, QUALITIES, spellings

ROOTS = [letter + sign for letter in "CDEFGAB" for sign in ("", "b", "#")]
KEYS = [parse_key(name) for name in "C G D A E B F# Gb F Bb Eb Ab Db Em F#m D#m Ebm Gm Cm".split()]

changes = st.lists(st.sampled_from([a.symbol for a in ALTERATIONS]), max_size=4, unique=True)
suffixes = st.builds(
    lambda row, changed: row + (f"({','.join(changed)})" if changed else ""),
    st.sampled_from(sorted(spellings())),
    changes,
)


@st.composite
def symbols(draw):
    """Draw a symbol that may or may not make sense."""
    bass = draw(st.sampled_from(["", *(f"/{name}" for name in ROOTS)]))
    return draw(st.sampled_from(ROOTS)) + draw(suffixes) + bass


def parsed(text: str) -> Chord | None:
    try:
        return parse_chord(text)
    except ChordError:
        return None


@pytest.mark.parametrize(("suffix", "degrees", "verdict"), ROWS)
def test_every_symbol_of_the_table_has_its_degrees(suffix, degrees, verdict):
    chord = parse_chord("C" + suffix)
    assert tuple(map(str, chord.degrees)) == degrees
    assert set(chord.pitch_classes) == pitch_classes_on_c(degrees)
    assert tuple(note.pitch_class for note in chord.notes) == chord.pitch_classes


@pytest.mark.parametrize("base", ["", "m", "7", "m7", "maj7", "6", "9", "13", "m(maj7)", "sus4"])
def test_any_set_of_alterations_is_heard_and_printed(base):
    """Every subset of b5 #5 b9 #9 #11 b13: each is there, the natural it replaces is not."""
    signs = ("b5", "#5", "b9", "#9", "#11", "b13")
    natural = {"b5": "5", "#5": "5", "b9": "9", "#9": "9", "#11": "11", "b13": "13"}
    plain = set(map(str, parse_chord("C" + base).degrees))
    for size in range(7):
        for chosen in combinations(signs, size):
            text = f"C{base}({','.join(chosen)})" if chosen else f"C{base}"
            chord = parse_chord(text)
            expected = plain - {natural[sign] for sign in chosen} | set(chosen)
            assert set(map(str, chord.degrees)) == expected, text
            assert parse_chord(chord.symbol) == chord, text
            if base and chosen:  # without parentheses too
                assert parse_chord("C" + base + "".join(chosen)) == chord


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("C-7", "Cm7"),
        ("CΔ", "Cmaj7"),
        ("CΔ9", "Cmaj9"),
        ("CM7", "Cmaj7"),
        ("Cm7", "Cmin7"),
        ("Cø", "Cm7b5"),
        ("C-7-5", "Cm7b5"),
        ("C°7", "Cdim7"),
        ("CMI7", "Cm7"),  # capitals, as handwritten parts have it
        ("CMA7", "Cmaj7"),
        ("Cmi7", "Cm7"),
        ("C-Δ7", "Cm(maj7)"),
        ("Cm/maj7", "Cm(maj7)"),
        ("Cminor7", "Cm7"),
        ("Cmajor7", "Cmaj7"),
        ("C+", "Caug"),
        ("Caug7", "C7#5"),
        ("C7+", "C7#5"),
        ("C7+5", "C7#5"),
        ("C+7b9", "C7#5b9"),
        ("C7b9#5", "C7#5b9"),
        ("C7(#9,b13)", "C7#9b13"),
        ("C7(b9, 13)", "C13b9"),
        ("C7(9,13)", "C13"),
        ("C7(13)", "C7add13"),
        ("C(9)", "Cadd9"),
        ("C7-9", "C7b9"),
        ("C7+9", "C7#9"),
        ("C7b5b9#9b13", "C7alt"),
        ("C6(9)", "C6/9"),
        ("B♭m7(♭5)", "Bbm7b5"),
        ("F♯7(♯9)", "F#7#9"),
        ("Csus", "Csus4"),
        ("C7(sus4)", "C7sus4"),
        ("Cno3", "C5"),
        ("C7omit5", "C7no5"),
        ("C/C", "C"),
        ("Fx7", "F##7"),
    ],
)
def test_ways_to_write_one_chord(text, same):
    assert parse_chord(text) == parse_chord(same)


def test_capital_m_is_major_and_small_m_minor():
    assert parse_chord("CM7").quality == "maj7"
    assert parse_chord("Cm7").quality == "m7"
    assert parse_chord("CmM7").quality == "m(maj7)"


def test_six_nine_is_no_slash_bass():
    assert parse_chord("C6/9").bass is None
    assert str(parse_chord("C6/E").bass) == "E"
    both = parse_chord("C6/9/E")
    assert both.quality == "6/9"
    assert str(both.bass) == "E"


def test_common_practice_facts():
    """Six-nine is root 3 5 6 9; a sus2 has no third; a minor seventh four tones (no source)."""
    assert [str(note) for note in parse_chord("G6/9").notes] == ["G", "B", "D", "E", "A"]
    assert all(degree.number != 3 for degree in parse_chord("Asus2").degrees)
    assert [str(note) for note in parse_chord("Fm7").notes] == ["F", "Ab", "C", "Eb"]


@pytest.mark.parametrize(
    ("text", "notes"),
    [
        ("Ebm7b5", "Eb Gb Bbb Db"),
        ("F#maj7", "F# A# C# E#"),
        ("Bdim7", "B D F Ab"),
        ("Abm", "Ab Cb Eb"),
        ("C#7", "C# E# G# B"),
        ("Gb7b9", "Gb Bb Db Fb Abb"),
        ("Bb7#11", "Bb D F Ab E"),
    ],
)
def test_tones_are_spelled_from_the_root(text, notes):
    assert " ".join(map(str, parse_chord(text).notes)) == notes


@pytest.mark.parametrize(
    ("text", "lowest"),
    [
        ("C/Bb", "b7"),
        ("C/F", "11"),
        ("C/F#", "#11"),
        ("C/A", "13"),
        ("C/Ab", "b13"),
        ("C/Db", "b9"),
        ("Cm/B", "7"),
        ("C7/Bb", "b7"),
        ("Cdim7/A", "bb7"),
    ],
)
def test_a_bass_is_counted_and_comes_first(text, lowest):
    chord = parse_chord(text)
    assert str(chord.degrees[0]) == lowest
    assert chord.bass_pitch_class == chord.pitch_classes[0]
    assert chord.upper_degrees == parse_chord(text.partition("/")[0]).degrees


def test_a_band_leaves_the_third_out_of_a_dominant_eleventh():
    assert [str(d) for d in parse_chord("C11").voiced_degrees] == ["1", "5", "b7", "9", "11"]
    assert [str(d) for d in parse_chord("Cm11").voiced_degrees][1] == "b3"
    assert [str(d) for d in parse_chord("C/D").voiced_degrees] == ["1", "3", "5"]


@pytest.mark.parametrize(
    ("text", "offset", "message"),
    [
        ("H7", 0, "'H7': no root H: roots are A to G; B or Bb?"),
        ("am", 0, "'am': roots are capital letters: did you mean Am?"),
        ("Cm7b4", 3, "'Cm7b4': there is no b4: b5 or add11?"),
        ("C7(b9", 2, '\'C7(b9\': this "(" never closes: add ")"'),
        (
            "C/H",
            2,
            "'C/H': the bass after / must be a note, A to G with # or b, got 'H'",
        ),
        ("Csus4sus2", 5, "'Csus4sus2': two suspensions: pick one, sus2 or sus4"),
        ("Cmja7", 2, "'Cmja7': cannot read 'ja7'; did you mean Cmaj7?"),
        (
            "Cxyz",
            2,
            (
                "'Cxyz': cannot read 'yz'; after the root stands such as "
                "m7, maj7, 7b9, sus4, 6/9, dim or nothing"
            ),
        ),
        ("C7b9b9", 4, "'C7b9b9': b9 stands there twice: drop one"),
        ("C7)", 2, '\'C7)\': this ")" closes nothing: drop it or open "("'),
        ("C7((b9))", 3, "'C7((b9))': parentheses inside parentheses: drop the inner ones"),
        ("C()", 1, "'C()': nothing stands in the parentheses: drop them"),
        ("C7b7", 2, "'C7b7': there is no b7: write 7 for a minor seventh"),
        (
            "C/9",
            2,
            (
                "'C/9': the bass after / must be a note, A to G with # or b, got '9' "
                "(for an added tone write add9)"
            ),
        ),
        (
            "C/E/G",
            3,
            "'C/E/G': the bass after / must be a note, A to G with # or b, got 'E/G'",
        ),
        ("", 0, "no chord symbol: write a root, A to G"),
        ("7", 0, "'7': a chord starts with its root, A to G, got '7'"),
        ("C" * 65, 0, "'CCCCCCCCCCCC'...: a chord symbol has at most 64 characters"),
    ],
)
def test_an_error_says_where_and_what_to_write(text, offset, message):
    with pytest.raises(ChordError) as caught:
        parse_chord(text)
    assert str(caught.value) == message
    assert caught.value.offset == offset


@given(st.text(max_size=80) | st.text("ABCm7b59#()/,sudiajø+-1346", max_size=70).map("C".__add__))
@example("C" + "(" * 60)
@example("Cm" + "7b5" * 20)
def test_any_text_is_a_chord_or_a_chord_error(text):
    try:
        chord = parse_chord(text)
    except ChordError as error:
        fault = error
    else:
        assert parse_chord(chord.symbol) == chord
        return
    assert 0 <= fault.offset <= len(text)
    assert str(fault)


@given(symbols())
def test_the_normal_form_is_the_same_chord(text):
    chord = parsed(text)
    if chord is not None:
        again = parse_chord(chord.symbol)
        assert again == chord
        assert again.symbol == chord.symbol


@given(suffixes, suffixes)
def test_the_same_tones_have_the_same_normal_form(one, other):
    a, b = parsed("C" + one), parsed("C" + other)
    if a is not None and b is not None:
        same = {(d.number, d.alteration) for d in a.degrees}
        if same == {(d.number, d.alteration) for d in b.degrees} and "add4" not in one + other:
            assert a == b


@given(symbols(), st.integers(-14, 14))
def test_transposing_there_and_back_is_the_same_sound(text, fifths):
    chord = parsed(text)
    if chord is not None:
        there = chord.transpose(fifths)
        moved = [(pitch_class + 7 * fifths) % 12 for pitch_class in chord.pitch_classes]
        assert sorted(there.pitch_classes) == sorted(moved)
        assert sorted(there.transpose(-fifths).pitch_classes) == sorted(chord.pitch_classes)
        assert parse_chord(there.symbol) == there


@given(st.sampled_from(KEYS), st.sampled_from(KEYS), st.integers(0, 6), st.integers(0, 6), suffixes)
def test_inside_the_key_transposing_there_and_back_keeps_the_spelling(a, b, root, bass, suffix):
    chord = parsed(f"{a.notes[root]}{suffix}/{a.notes[bass]}")
    if chord is not None and a.mode == b.mode:
        fifths = b.tonic.fifths - a.tonic.fifths
        there = chord.transpose(fifths, b)
        assert there.root in b.notes
        assert there.transpose(-fifths, a) == chord


@pytest.mark.parametrize(
    ("text", "fifths", "key", "moved"),
    [
        ("F7", 6, "F#", "B7"),
        ("F7", 6, None, "B7"),
        ("F7", -6, "Gb", "Cb7"),  # Gb major owns Cb
        ("F7", -6, None, "B7"),
        ("E7", -6, "Gb", "Bb7"),
        ("B7", 6, "F#", "E#7"),  # F# major owns E#
        ("B7", 6, "D#m", "E#7"),
        ("E7", 7, "Db", "F7"),
        ("Bdim7", 8, "E", "Gdim7"),
        ("F#dim7", 7, None, "Gdim7"),
        ("Bb7", -5, "Db", "B7"),  # Cb is not in Db major
        ("C/E", 7, None, "C#/E#"),  # the bass is spelled from its root
        ("E7/G#", 4, "E", "G#7/B#"),
        ("C/Bb", -5, "Db", "Db/Cb"),
        ("Db/F", -3, "Eb", "E/G#"),  # not E/Ab: the root was made plain, the bass goes with it
        ("Fm/Ab", -3, "Eb", "Abm/Cb"),
        ("B7/D#", 4, "E", "D#7/G"),  # F## is made plain
        ("G#dim7", 3, "F#m", "E#dim7"),  # the leading tone of the minor key
        ("G#dim7", 4, "C#m", "B#dim7"),
        ("G#dim7", 6, "D#m", "Ddim7"),
    ],
)
def test_awkward_names_are_made_plain_unless_the_key_owns_them(text, fifths, key, moved):
    target = None if key is None else parse_key(key)
    assert parse_chord(text).transpose(fifths, target).symbol == moved


def test_a_progression_in_all_twelve_keys():
    """I vi ii V in every major key of the circle, the names that key signatures give."""
    degrees = [(0, "maj7"), (5, "m7"), (1, "m7"), (4, "7")]
    home = parse_key("C")
    for name in "C G D A E B F# Gb Db Ab Eb Bb F".split():
        key = parse_key(name)
        for step, suffix in degrees:
            chord = parse_chord(f"{home.notes[step]}{suffix}").transpose(key.tonic.fifths, key)
            assert chord.symbol == f"{key.notes[step]}{suffix}"
            assert set(chord.notes) <= set(key.notes)


def test_every_spelling_of_a_row_reads_as_that_row():
    for text, row in spellings().items():
        assert parse_chord(f"C{text}").quality == row.symbol
    assert len({row.symbol for row in QUALITIES}) == len(QUALITIES)
    assert len({frozenset(row.degrees.split()) for row in QUALITIES}) == len(QUALITIES)


@pytest.mark.parametrize(
    ("text", "kind", "degrees"),
    [
        ("C13", "dominant-13th", ((11, 0, "subtract"),)),
        ("C7b5", "dominant", ((5, -1, "alter"),)),
        ("C7b9", "dominant", ((9, -1, "add"),)),
        ("C13#11", "dominant-13th", ((11, 1, "alter"),)),
        ("C6/9", "major-sixth", ((9, 0, "add"),)),
        ("Cdim(maj7)", "diminished", ((7, 1, "add"),)),  # against a dominant's minor seventh
        ("C7sus4", "dominant", ((4, 0, "add"), (3, 0, "subtract"))),
        ("C7no5", "dominant", ((5, 0, "subtract"),)),
    ],
)
def test_musicxml_degrees(text, kind, degrees):
    """MusicXML 4.0, `degree-alter`: an added degree is relative to a dominant chord."""
    spelled = parse_chord(text).musicxml
    assert (spelled.kind, spelled.degrees) == (kind, degrees)
    assert spelled.text == text[1:]


def test_changes_to_an_altered_chord_are_listed():
    assert parse_chord("C7alt(#11)").symbol == "C7b5b9#9#11b13"


def test_every_row_has_an_expectation_written_by_hand():
    expected = {parse_chord("C" + suffix).quality for suffix, *_ in ROWS}
    assert {row.symbol for row in QUALITIES} <= expected
