"""Note names and interval degrees, spelled as a musician writes them.

Two coordinates describe a note name: its letter with accidentals, and its place on the *line of
fifths* (... Bb -2, F -1, C 0, G 1, D 2 ..., after Temperley 2001, *The Cognition of Basic Musical
Structures*, ch. 5). Moving every name by the same number of fifths transposes and spells at once.
"""

from functools import lru_cache

from generator.errors import ChordError
from generator.record import record

__all__ = ["Degree", "NoteName", "read_note"]

LETTERS = "CDEFGAB"
_SEMITONES = (0, 2, 4, 5, 7, 9, 11)
_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_ACCIDENTALS = {"bb": -2, "##": 2, "b": -1, "#": 1, "x": 2, "𝄫": -2, "𝄪": 2}


def plain(text: str) -> str:
    """Write musical flats and sharps as `b` and `#`, character for character.

    >>> plain("B♭7♯9")
    'Bb7#9'
    """
    return text.replace("♭", "b").replace("♯", "#")


def _accidental_text(accidental: int) -> str:
    return "#" * accidental if accidental > 0 else "b" * -accidental


@record
class NoteName:
    """A note name without an octave.

    Parameters
    ----------
    letter : str
        One of A to G.
    accidental : int
        Semitones up (sharps) or down (flats).

    Examples
    --------
    >>> flat = NoteName("B", -1)
    >>> flat.name, flat.pitch_class, flat.fifths
    ('Bb', 10, -2)
    """

    letter: str
    accidental: int = 0

    @property
    def name(self) -> str:
        """The name in ASCII: "C", "F#", "Bb", "F##"."""
        return self.letter + _accidental_text(self.accidental)

    @property
    def pitch_class(self) -> int:
        """Semitones above C, 0 to 11."""
        return (_SEMITONES[LETTERS.index(self.letter)] + self.accidental) % 12

    @property
    def fifths(self) -> int:
        """Place on the line of fifths: C 0, G 1, F -1."""
        return _FIFTHS[self.letter] + 7 * self.accidental

    @classmethod
    def from_fifths(cls, fifths: int) -> "NoteName":
        """Return the name at a place on the line of fifths.

        >>> [NoteName.from_fifths(n).name for n in (-8, -2, 0, 6, 13)]
        ['Fb', 'Bb', 'C', 'F#', 'F##']
        """
        accidental, place = divmod(fifths + 1, 7)
        return cls("FCGDAEB"[place], accidental)

    @classmethod
    def parse(cls, text: str) -> "NoteName":
        """Read a whole note name, at most two accidentals; musical signs are accepted.

        Raises
        ------
        ChordError
            If the text is no note name.

        >>> NoteName.parse("E♭").name
        'Eb'
        """
        note, length = read_note(plain(text))
        if note is None or length != len(text):
            raise ChordError(f"{text[:20]!r} is no note: write a letter A to G, then # or b")
        return note

    def shifted(self, fifths: int) -> "NoteName":
        """Return the name that lies `fifths` fifths above this one."""
        return NoteName.from_fifths(self.fifths + fifths)

    def above(self, degree: "Degree") -> "NoteName":
        """Return the name that stands on a degree above this note, spelled by letter.

        >>> NoteName("E").above(Degree.parse("#9")).name
        'F##'
        """
        return self.shifted(degree.fifths)

    def __str__(self) -> str:
        return self.name


def read_note(text: str, start: int = 0) -> tuple[NoteName | None, int]:
    """Read a note name at `start` of plain text; return it and where it ends (None if none)."""
    if start >= len(text) or text[start] not in "ABCDEFG":
        return None, start
    for size in (2, 1):
        accidental = _ACCIDENTALS.get(text[start + 1 : start + 1 + size])
        if accidental is not None:
            return NoteName(text[start], accidental), start + 1 + min(size, len(text) - start - 1)
    return NoteName(text[start]), start + 1


@record
class Degree:
    """An interval above a root, named against the major scale.

    Parameters
    ----------
    number : int
        1 to 13: 9 is the second an octave up.
    alteration : int
        Semitones against the major scale: the minor third is 3 with -1.

    Examples
    --------
    >>> Degree.parse("b9").semitones, Degree(5, 1).name
    (13, '#5')
    """

    number: int
    alteration: int = 0

    @property
    def name(self) -> str:
        """The name in ASCII: "1", "b3", "#11", "bb7"."""
        return _accidental_text(self.alteration) + str(self.number)

    @property
    def semitones(self) -> int:
        """Semitones above the root; more than 11 for degrees past the octave."""
        octaves, step = divmod(self.number - 1, 7)
        return 12 * octaves + _SEMITONES[step] + self.alteration

    @property
    def fifths(self) -> int:
        """Distance on the line of fifths: a perfect fifth is 1, a minor third -3."""
        return _FIFTHS[LETTERS[(self.number - 1) % 7]] + 7 * self.alteration

    @staticmethod
    @lru_cache(maxsize=256)
    def parse(text: str) -> "Degree":
        """Read a degree such as "5", "b9", "bb7" or "#11".

        Raises
        ------
        ValueError
            If the text is no degree.
        """
        name = plain(text)
        number = name.lstrip("b#")
        signs = name[: len(name) - len(number)]
        if not (number.isascii() and number.isdigit()) or not 1 <= int(number) <= 13:
            raise ValueError(f"{text[:20]!r} is no degree: write 1 to 13 after any of b and #")
        return Degree(int(number), signs.count("#") - signs.count("b"))

    def __str__(self) -> str:
        return self.name
