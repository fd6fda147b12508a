"""Chord scales: the scales that hold every tone of a chord, best first.

Candidates are the seven modes of the major scale, the common modes of melodic minor, phrygian
dominant and harmonic minor. Where none of them holds every tone of the symbol (`Cdim7`, `C13b9`)
the symmetric scales step in: diminished and whole tone.

Sources: B. Nettles and R. Graf 1997, *The Chord Scale Theory and Jazz Harmony*, Advance Music;
M. Levine 1995, *The Jazz Theory Book*, Sher Music, chs. 3 and 10.
"""

from collections.abc import Iterable
from functools import cache, lru_cache

from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.spelling import Degree, NoteName
from generator.record import record

__all__ = ["SCALES", "SYMMETRIC_SCALES", "Scale", "avoid_degrees", "chord_scales", "is_dominant"]

# Within a tie the earlier one is named first.
SCALES = {
    "ionian": "1 2 3 4 5 6 7",
    "dorian": "1 2 b3 4 5 6 b7",
    "phrygian": "1 b2 b3 4 5 b6 b7",
    "lydian": "1 2 3 #4 5 6 7",
    "mixolydian": "1 2 3 4 5 6 b7",
    "aeolian": "1 2 b3 4 5 b6 b7",
    "locrian": "1 b2 b3 4 b5 b6 b7",
    "lydian dominant": "1 2 3 #4 5 6 b7",
    "mixolydian b6": "1 2 3 4 5 b6 b7",
    "altered": "1 b2 #2 3 b5 b6 b7",
    "melodic minor": "1 2 b3 4 5 6 7",
    "dorian b2": "1 b2 b3 4 5 6 b7",
    "lydian augmented": "1 2 3 #4 #5 6 7",
    "locrian natural 2": "1 2 b3 4 b5 b6 b7",
    "phrygian dominant": "1 b2 3 4 5 b6 b7",
    "harmonic minor": "1 2 b3 4 5 b6 7",
}
SYMMETRIC_SCALES = {
    "half-whole diminished": "1 b2 #2 3 #4 5 6 b7",
    "whole-half diminished": "1 2 b3 4 b5 b6 bb7 7",
    "whole tone": "1 2 3 #4 #5 b7",
}

_CHORD_NUMBERS = (1, 2, 3, 4, 5, 6, 7)
DOMINANT_COLOURS = frozenset((1, 3, 8))  # b9, #9 and b13 in semitones above the root


@cache
def _intervals(name: str) -> tuple[tuple[Degree, ...], frozenset[int]]:
    """Return the degrees of a scale of the tables, and its semitones above the root."""
    text = SCALES.get(name) or SYMMETRIC_SCALES[name]
    degrees = tuple(Degree.parse(degree) for degree in text.split())
    return degrees, frozenset(degree.semitones % 12 for degree in degrees)


@record
class Scale:
    """A scale on the root of a chord.

    `name` is the scale without its root, `degrees` its intervals within the octave and `notes`
    its notes upward from the root, spelled by letter.
    """

    name: str
    degrees: tuple[Degree, ...]
    notes: tuple[NoteName, ...]

    @property
    def pitch_classes(self) -> tuple[int, ...]:
        """Semitones above C (0 to 11) of each note."""
        return tuple(note.pitch_class for note in self.notes)


def is_dominant(chord: Chord) -> bool:
    """Whether the chord has a major third (or a fourth in its place) and a minor seventh."""
    degrees = set(chord.upper_degrees)
    third = Degree(3) in degrees or (Degree(4) in degrees and Degree(3, -1) not in degrees)
    return third and Degree(7, -1) in degrees


@lru_cache(maxsize=4096)
def chord_scales(chord: Chord, key: Key) -> tuple[Scale, ...]:
    """Return the scales that hold every tone of the chord and its bass, best first.

    They are ranked by the number of notes foreign to the key (by name: over Db in C the scale
    with Eb and Bb is nearer than the one with Ebb and Bbb), then of avoid notes, then of tones
    that the scale names otherwise than the chord, then by the order of the table. A dominant
    seventh on a root that the key does not hold takes lydian dominant first, as Nettles & Graf
    give it to substitute dominants and to bVII7.

    >>> from generator.harmony.chord import parse_chord
    >>> from generator.harmony.key import parse_key
    >>> [scale.name for scale in chord_scales(parse_chord("A7"), parse_key("C"))][:2]
    ['mixolydian b6', 'mixolydian']
    """
    tones = {degree.semitones % 12 for degree in chord.voiced_degrees}
    with_bass = tones | {(chord.bass_pitch_class - chord.root.pitch_class) % 12}
    fits = (
        _fitting(chord, with_bass, SCALES)
        or _fitting(chord, with_bass, SYMMETRIC_SCALES)
        or _fitting(chord, tones, SCALES)  # a bass that no scale of the chord holds: C/Db
        or _fitting(chord, tones, SYMMETRIC_SCALES)
    )
    owned = {note.pitch_class: note for note in key.notes}
    own_fifths = {note.fifths for note in key.notes}
    own_tones = {chord.root.above(degree) for degree in chord.voiced_degrees}
    root = owned.get(chord.root.pitch_class, chord.root)  # Gb7 in B major counts as F#7
    prefers_lydian = chord.root.pitch_class not in owned and is_dominant(chord)

    def rank(scale: Scale) -> tuple[bool, int, int, int]:
        first = prefers_lydian and scale.name == "lydian dominant"
        foreign = sum(root.fifths + d.fifths not in own_fifths for d in scale.degrees)
        renamed = len(own_tones - set(scale.notes))
        return not first, foreign, len(avoid_degrees(chord, scale)), renamed

    return tuple(sorted(fits, key=rank))


def _fitting(chord: Chord, tones: set[int], names: Iterable[str]) -> list[Scale]:
    thirds = {degree for degree in chord.voiced_degrees if degree.number == 3}
    found = []
    for name in names:
        degrees, semitones = _intervals(name)
        if tones <= semitones and thirds <= set(
            degrees
        ):  # a b3 is no #2: altered does not fit m7b5
            notes = tuple(chord.root.above(degree) for degree in degrees)
            found.append(Scale(name, degrees, notes))
    return found


def basic_tones(chord: Chord) -> set[int]:
    """Return the semitones above the root of the triad with its sixth or seventh."""
    return {
        degree.semitones % 12
        for degree in chord.voiced_degrees
        if degree.number in _CHORD_NUMBERS or degree == Degree(11)
    }


def avoid_degrees(chord: Chord, scale: Scale) -> tuple[Degree, ...]:
    """Return the degrees of a scale that lie a semitone above a tone of the triad or seventh.

    What the symbol names is never one, nor are b9, #9 and b13 on a dominant.
    """
    named = {degree.semitones % 12 for degree in chord.degrees}
    basic = basic_tones(chord)
    spared = DOMINANT_COLOURS if is_dominant(chord) else frozenset()
    return tuple(
        degree
        for degree in scale.degrees
        if degree.semitones % 12 not in named | spared and (degree.semitones - 1) % 12 in basic
    )
