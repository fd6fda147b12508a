"""Chord symbols: text to `Chord` and back.

>>> chord = parse_chord("F#m7(b5)/C")
>>> chord.symbol, [str(note) for note in chord.notes], chord.harte
('F#m7b5/C', ['C', 'F#', 'A', 'E'], 'F#:hdim7/b5')
"""

from dataclasses import field
from functools import lru_cache

from generator.errors import ChordError
from generator.harmony.key import Key
from generator.harmony.quality import MusicXmlKind, Quality
from generator.harmony.quality_parser import MAX_LENGTH, read_quality
from generator.harmony.spelling import Degree, NoteName, plain, read_note
from generator.harmony.transposition import plain_accidental, transposed_note
from generator.record import record

__all__ = ["Chord", "parse_chord"]


@record
class Chord:
    """A chord as its symbol names it; made by `parse_chord`.

    Attributes
    ----------
    root : NoteName
    bass : NoteName or None
        The note after a slash; None when the root is the bass.
    quality : str
        The suffix in normal form: "", "m7", "7b9", "6/9".
    degrees : tuple of Degree
        Every tone as an interval above the root. A slash bass comes first, also when it is no
        chord tone (`C/D` is 9 1 3 5).
    """

    root: NoteName
    bass: NoteName | None
    quality: str
    degrees: tuple[Degree, ...] = field(hash=False)  # they follow from the rest

    @property
    def notes(self) -> tuple[NoteName, ...]:
        """The tones, spelled by letter from the root, in the order of `degrees`."""
        return tuple(self.root.above(degree) for degree in self.degrees)

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Semitones above C (0 to 11) of each tone, in the order of `degrees`."""
        return tuple((self.root.pitch_class + d.semitones) % 12 for d in self.degrees)

    @property
    def bass_pitch_class(self) -> int:
        """Semitones above C (0 to 11) of the lowest note."""
        return (self.bass or self.root).pitch_class

    @property
    def symbol(self) -> str:
        """The symbol in normal form; `parse_chord` reads it as the same chord."""
        return f"{self.root}{self.quality}" + (f"/{self.bass}" if self.bass else "")

    @property
    def upper_degrees(self) -> tuple[Degree, ...]:
        """The degrees of the chord without the slash, in the order of the quality."""
        return self._quality.degrees

    @property
    def voiced_degrees(self) -> tuple[Degree, ...]:
        """What a chordal instrument plays: the chord above the bass.

        A bass that is foreign to the chord is left to the bass player, and a dominant eleventh
        goes without its third, a semitone below the eleventh (common practice, no source).
        """
        return _voiced(self._quality.degrees)

    @property
    def harte(self) -> str:
        """The label of Harte et al. 2005: "C:maj6(9)", "G:sus4(b7)", "D:min7/b7"."""
        label = f"{self.root}:{self._quality.harte}"
        if self.bass is None:
            return label
        degree = self.degrees[0]
        simple = degree.number - 7 if degree.number > 7 else degree.number
        return f"{label}/{Degree(simple, degree.alteration)}"

    @property
    def musicxml(self) -> MusicXmlKind:
        """Kind, text and degrees of a MusicXML 4.0 `<harmony>` element."""
        return self._quality.musicxml

    def transpose(self, fifths: int, key: Key | None = None) -> "Chord":
        """Move a chord by a number of fifths; tones and bass are spelled from the new root.

        Parameters
        ----------
        fifths : int
            Upward; a semitone up is 7, a whole tone up 2.
        key : Key, optional
            The key that is reached. Names that it does not hold are made plain: double
            accidentals, and Cb Fb E# B#. The bass keeps its interval above the root, as in
            C#7/E# and Db/Cb; only double accidentals are made plain there.

        >>> parse_chord("Am7/G").transpose(2).symbol
        'Bm7/A'
        """
        root = transposed_note(self.root, fifths, key)
        bass = self.bass and plain_accidental(root.shifted(self.bass.fifths - self.root.fifths))
        return _chord(root, bass, self._quality)

    @property
    def _quality(self) -> Quality:
        return _quality_of(self.quality)

    def __str__(self) -> str:
        return self.symbol


@lru_cache(maxsize=4096)
def parse_chord(text: str) -> Chord:
    """Read a chord symbol.

    Parameters
    ----------
    text : str
        Root (A to G, with accidentals), quality, and a bass after a slash. Flat and sharp signs
        may be musical ones; parentheses and commas around changes are optional.

    Raises
    ------
    ChordError
        Says what is wrong and what to write; `offset` is the place in `text`.

    Examples
    --------
    >>> [str(d) for d in parse_chord("C6/9").degrees]
    ['1', '3', '5', '6', '9']
    >>> parse_chord("C-7").symbol, parse_chord("CΔ").symbol, parse_chord("B♭7(♯11)").symbol
    ('Cm7', 'Cmaj7', 'Bb7#11')
    """
    if len(text) > MAX_LENGTH:
        raise ChordError(f"{text[:12]!r}...: a chord symbol has at most {MAX_LENGTH} characters")
    symbol = plain(text)
    root, position = read_note(symbol)
    if root is None:
        raise ChordError(_no_root(text), offset=0)
    quality, position = read_quality(symbol, position)
    if position == len(symbol):
        return _chord(root, None, quality)
    position += 1  # the slash
    bass, end = read_note(symbol, position)
    if bass is None or end != len(symbol):
        rest = symbol[position:]
        remedy = f" (for an added tone write add{rest})" if rest in ("2", "9", "11", "13") else ""
        raise ChordError(
            f"{text!r}: the bass after / must be a note, A to G with # or b, got {rest!r}{remedy}",
            offset=position if bass is None else end,
        )
    return _chord(root, bass, quality)


@lru_cache(maxsize=4096)
def _quality_of(suffix: str) -> Quality:
    return read_quality(suffix, 0)[0]


def _chord(root: NoteName, bass: NoteName | None, quality: Quality) -> Chord:
    degrees = quality.degrees
    if bass is None or bass == root:
        return Chord(root, None, quality.symbol, degrees)
    lowest = _bass_degree(root, bass, degrees)
    rest = tuple(degree for degree in degrees if degree != lowest)
    return Chord(root, bass, quality.symbol, (lowest, *rest))


def _bass_degree(root: NoteName, bass: NoteName, degrees: tuple[Degree, ...]) -> Degree:
    """Return the degree of the bass: a tone of the chord, else 9, 11, 13 and the like."""
    semitones = (bass.pitch_class - root.pitch_class) % 12
    for degree in degrees:
        if degree.semitones % 12 == semitones:
            return degree
    number = ("CDEFGAB".index(bass.letter) - "CDEFGAB".index(root.letter)) % 7 + 1
    natural = Degree(number)
    alteration = (bass.fifths - root.fifths - natural.fifths) // 7
    return Degree(number + 7 if number in (2, 4, 6) else number, alteration)


def _no_root(text: str) -> str:
    if not text:
        return "no chord symbol: write a root, A to G"
    if text[0] in "Hh":
        return f"{text!r}: no root H: roots are A to G; B or Bb?"
    if text[0] in "abcdefg":
        return f"{text!r}: roots are capital letters: did you mean {text[0].upper()}{text[1:]}?"
    return f"{text!r}: a chord starts with its root, A to G, got {text[0]!r}"


@lru_cache(maxsize=1024)
def _voiced(degrees: tuple[Degree, ...]) -> tuple[Degree, ...]:
    third = Degree(3)
    dominant_eleventh = {third, Degree(7, -1), Degree(11)} <= set(degrees)
    return tuple(d for d in degrees if not (dominant_eleventh and d == third))
