"""The metronome mark of a track, in the note that its meter counts."""

from collections.abc import Iterable
from fractions import Fraction
from math import gcd

__all__ = ["metronome_mark", "note_words"]

_WORDS = {
    Fraction(1, 4): "sixteenth",
    Fraction(1, 2): "♪",
    Fraction(3, 4): "♪.",
    Fraction(1): "♩",
    Fraction(3, 2): "♩.",
    Fraction(2): "half note",
    Fraction(3): "dotted half",
    Fraction(4): "whole note",
}


def metronome_mark(
    quarter_bpm: float, beat_quarters: Iterable[float | Fraction]
) -> tuple[Fraction, float]:
    """Return the note to count, in quarters, and how many of it go in a minute.

    The note is the longest of which every beat of the meter is made: a dotted quarter in 6/8, an
    eighth in 7/8 (2+2+3); a quarter where no single note would do.

    >>> metronome_mark(90, (1.5, 1.5))
    (Fraction(3, 2), 60.0)
    >>> metronome_mark(105, (1, 1, 1.5))
    (Fraction(1, 2), 210.0)
    """
    unit = Fraction(gcd(*(round(8 * beat) for beat in beat_quarters)), 8)
    if unit not in _WORDS:
        unit = Fraction(1)
    return unit, float(quarter_bpm / unit)


def note_words(unit_quarters: Fraction) -> str:
    """Return a note of `metronome_mark` as text.

    >>> note_words(Fraction(3, 2))
    '♩.'
    """
    return _WORDS[unit_quarters]
