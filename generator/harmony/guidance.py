"""What to play over a chord: its numeral, guide tones, tensions, avoid notes and scales.

Conventions
-----------
* Guide tones: third and seventh; the sixth on a sixth chord, the fourth (or second) on a
  suspension (Levine 1995, ch. 2; common practice).
* The best scale of the chord is the pool of the rest. Tensions lie a whole tone above a tone of
  the triad or seventh; avoid notes a semitone above one. On a dominant b9, #9 and b13 are
  tensions too (Nettles & Graf 1997).
* What the symbol names is a chord tone, and so neither tension nor avoid note.
"""

from functools import lru_cache

from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.roman import roman_numeral
from generator.harmony.scales import (
    DOMINANT_COLOURS,
    Scale,
    avoid_degrees,
    basic_tones,
    chord_scales,
    is_dominant,
)
from generator.harmony.spelling import Degree, NoteName
from generator.record import record

__all__ = ["Guidance", "Scale", "guide"]


@record
class Guidance:
    """How a chord stands in its key, and what may be played over it.

    Attributes
    ----------
    roman : str
        Roman numeral, in the notation of `roman.py`.
    guide_tones, tensions, avoid : tuple of NoteName
        Spelled by letter from the root; tensions and avoid notes belong to the best scale.
    scales : tuple of Scale
        Best first; empty if no scale of the table holds every tone of the symbol.
    """

    roman: str
    guide_tones: tuple[NoteName, ...]
    tensions: tuple[NoteName, ...]
    avoid: tuple[NoteName, ...]
    scales: tuple[Scale, ...]


@lru_cache(maxsize=4096)
def guide(chord: Chord, key: Key, following: Chord | None = None) -> Guidance:
    """Return the guidance for a chord in its key.

    Parameters
    ----------
    following : Chord, optional
        The next chord; it tells applied from borrowed chords in the numeral.

    Examples
    --------
    >>> from generator.harmony.chord import parse_chord
    >>> from generator.harmony.key import parse_key
    >>> advice = guide(parse_chord("Dm7"), parse_key("C"))
    >>> advice.roman, advice.scales[0].name, [str(note) for note in advice.tensions]
    ('ii7', 'dorian', ['E', 'G', 'B'])
    """
    scales = chord_scales(chord, key)
    tensions: tuple[Degree, ...] = ()
    avoid: tuple[Degree, ...] = ()
    if scales:
        avoid = avoid_degrees(chord, scales[0])
        tensions = _tensions(chord, scales[0], avoid)
    return Guidance(
        roman_numeral(chord, key, following),
        tuple(chord.root.above(degree) for degree in _guide_degrees(chord)),
        tuple(chord.root.above(degree) for degree in tensions),
        tuple(chord.root.above(degree) for degree in avoid),
        scales,
    )


def _guide_degrees(chord: Chord) -> tuple[Degree, ...]:
    degrees = chord.voiced_degrees
    thirds = [d for d in degrees if d.number == 3]
    thirds = thirds or [d for d in degrees if d.number in (4, 2)]
    thirds = thirds or [d for d in degrees if d == Degree(11)]
    sevenths = [d for d in degrees if d.number == 7] or [d for d in degrees if d.number == 6]
    return (*thirds[:1], *sevenths[:1])


def _tensions(chord: Chord, scale: Scale, avoid: tuple[Degree, ...]) -> tuple[Degree, ...]:
    named = {degree.semitones % 12 for degree in chord.degrees}
    basic = basic_tones(chord)
    colours = DOMINANT_COLOURS if is_dominant(chord) else frozenset()
    return tuple(
        degree
        for degree in scale.degrees
        if degree not in avoid
        and degree.semitones % 12 not in named
        and (degree.semitones % 12 in colours or (degree.semitones - 2) % 12 in basic)
    )
