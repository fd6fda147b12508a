"""Keys: a tonic and a mode, with their signature.

>>> key = parse_key("E minor")
>>> key.fifths, [str(note) for note in key.notes]
(1, ['E', 'F#', 'G', 'A', 'B', 'C', 'D'])
"""

from functools import lru_cache

from generator.errors import KeyNameError
from generator.harmony.spelling import NoteName, plain, read_note
from generator.record import record

__all__ = ["MODES", "Key", "parse_key"]

# Fifths from the tonic of the mode to the tonic of the major key with the same signature.
MODES = {
    "major": 0,
    "minor": -3,
    "ionian": 0,
    "dorian": -2,
    "phrygian": -4,
    "lydian": 1,
    "mixolydian": -1,
    "aeolian": -3,
    "locrian": -5,
}
_MODE_NAMES = {
    "": "major",
    "M": "major",
    "maj": "major",
    "m": "minor",
    "min": "minor",
    "mi": "minor",
    "-": "minor",
    **{mode: mode for mode in MODES},
}
_MOST_ACCIDENTALS = 6


@record
class Key:
    """A tonic and a mode: "major", "minor" or one of the seven modes.

    >>> Key(NoteName("D"), "dorian").name
    'D dorian'
    """

    tonic: NoteName
    mode: str = "major"

    @property
    def name(self) -> str:
        """The name: "Bb major", "E minor", "D dorian"."""
        return f"{self.tonic} {self.mode}"

    @property
    def fifths(self) -> int:
        """The signature: sharps (positive) or flats (negative), -7 to 7."""
        return self.tonic.fifths + MODES[self.mode]

    @property
    def notes(self) -> tuple[NoteName, ...]:
        """The seven notes of the signature, upward from the tonic (minor: natural minor)."""
        owned = {
            n.letter: n for n in map(NoteName.from_fifths, range(self.fifths - 1, self.fifths + 6))
        }
        start = "CDEFGAB".index(self.tonic.letter)
        return tuple(owned["CDEFGAB"[(start + i) % 7]] for i in range(7))

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Semitones above C (0 to 11) of each of `notes`."""
        return tuple(note.pitch_class for note in self.notes)

    def __str__(self) -> str:
        return self.name


@lru_cache(maxsize=512)
def parse_key(text: str) -> Key:
    """Read a key name: "Bb", "E minor", "Em", "F# minor", "D dorian".

    Raises
    ------
    KeyNameError
        If the text is no key, or a key of seven accidentals or more, which nobody writes; the
        message names the other spelling.
    """
    shown = text[:24]
    name = plain(text.strip())
    tonic, position = read_note(name) if len(name) <= 40 else (None, 0)
    if tonic is None:
        hint = ""
        if name[:1] in tuple("abcdefg"):
            hint = f"; did you mean {name[0].upper()}{name[1:20]}?"
        elif name[:1] in ("H", "h"):
            hint = "; B or Bb?"
        raise KeyNameError(
            f"{shown!r} is no key: write a tonic, A to G, and a mode, as Bb or E minor{hint}"
        )
    rest = name[position:].strip()
    for word, accidental in (("flat", -1), ("sharp", 1)):
        if rest.lstrip("- ").lower().startswith(word):
            tonic = NoteName(tonic.letter, tonic.accidental + accidental)
            rest = rest.lstrip("- ")[len(word) :].strip()
    mode = _MODE_NAMES.get(rest) or _MODE_NAMES.get(rest.lower())
    if mode is None:
        from difflib import get_close_matches

        near = get_close_matches(rest.lower(), MODES, n=1)
        hint = f"did you mean {tonic} {near[0]}?" if near else f"modes are {', '.join(MODES)}"
        raise KeyNameError(f"{shown!r}: no mode {rest[:20]!r}: {hint}")
    key = Key(tonic, mode)
    if abs(key.fifths) > _MOST_ACCIDENTALS:
        other = Key(tonic.shifted(-12 if key.fifths > 0 else 12), mode)
        while abs(other.fifths) > _MOST_ACCIDENTALS:
            other = Key(other.tonic.shifted(-12 if other.fifths > 0 else 12), mode)
        signs = f"{abs(key.fifths)} {'sharps' if key.fifths > 0 else 'flats'}"
        raise KeyNameError(f"{key.name} would have {signs}: write {other.name}")
    return key
