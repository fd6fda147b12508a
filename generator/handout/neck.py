"""Where the tones of a chord lie on a fretted neck, and how they move to the next chord.

Conventions: strings are numbered as players number them, 1 for the highest; frets count from 0,
the open string. Pitches are MIDI note numbers (60 is middle C). Input is a chord of a chord map
as parsed JSON, so that the page and the pictures read the same thing.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from generator.record import record

__all__ = [
    "FRETS",
    "TUNINGS",
    "ChordTone",
    "Motion",
    "NeckTone",
    "ToneRole",
    "Tuning",
    "chord_tones",
    "motions",
    "tones_on_neck",
    "tuning_named",
]

FRETS = 15
"""Frets shown: to the octave of the third fret, where the upper positions close."""

ToneRole = Literal["root", "guide", "tone", "bass"]


@record
class Tuning:
    """Open strings, `pitches` from the lowest to the highest string."""

    name: str
    instrument: Literal["guitar", "bass"]
    pitches: tuple[int, ...]
    note_names: tuple[str, ...]

    @property
    def title(self) -> str:
        """Name with the notes, as a menu shows it.

        >>> TUNINGS[0].title
        'Standard: E A D G B E'
        """
        return f"{self.name}: {' '.join(self.note_names)}"


def _tuning(name: str, instrument: Literal["guitar", "bass"], notes: str) -> Tuning:
    """Read open strings such as `E2 A2`: letter, accidental, octave (C4 is middle C)."""
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    pitches, names = [], []
    for note in notes.split():
        name_part, octave = note[:-1], int(note[-1])
        alteration = name_part.count("#") - name_part[1:].count("b")
        pitches.append(12 * (octave + 1) + steps[name_part[0]] + alteration)
        names.append(name_part)
    return Tuning(name, instrument, tuple(pitches), tuple(names))


# Common practice, no single source; octaves as they sound (a guitar is written an octave higher).
TUNINGS = (
    _tuning("Standard", "guitar", "E2 A2 D3 G3 B3 E4"),
    _tuning("Drop D", "guitar", "D2 A2 D3 G3 B3 E4"),
    _tuning("Half step down", "guitar", "Eb2 Ab2 Db3 Gb3 Bb3 Eb4"),
    _tuning("Whole step down", "guitar", "D2 G2 C3 F3 A3 D4"),
    _tuning("D A D G A D", "guitar", "D2 A2 D3 G3 A3 D4"),
    _tuning("Double drop D", "guitar", "D2 A2 D3 G3 B3 D4"),
    _tuning("Open D", "guitar", "D2 A2 D3 F#3 A3 D4"),
    _tuning("Open E", "guitar", "E2 B2 E3 G#3 B3 E4"),
    _tuning("Open G", "guitar", "D2 G2 D3 G3 B3 D4"),
    _tuning("Open A", "guitar", "E2 A2 E3 A3 C#4 E4"),
    _tuning("All fourths", "guitar", "E2 A2 D3 G3 C4 F4"),
    _tuning("Bass", "bass", "E1 A1 D2 G2"),
    _tuning("Bass, drop D", "bass", "D1 A1 D2 G2"),
    _tuning("Bass, half step down", "bass", "Eb1 Ab1 Db2 Gb2"),
)
"""Tunings on offer, the standard one first."""


def tuning_named(name: str) -> Tuning:
    """Return the tuning of this name, whatever the case.

    Raises
    ------
    OptionError
        If there is none.
    """
    from generator.errors import OptionError

    for tuning in TUNINGS:
        if tuning.name.lower() == name.strip().lower():
            return tuning
    names = ", ".join(tuning.name for tuning in TUNINGS)
    raise OptionError(f"no tuning {name!r}: use one of {names}")


@record
class ChordTone:
    """One tone of a chord: spelled note, degree above the root, pitch class 0 to 11, role.

    A slash bass that is no chord tone has the role "bass" and the degree "bass".
    """

    note: str
    degree: str
    pitch_class: int
    role: ToneRole


@record
class NeckTone:
    """A chord tone at a place on the neck."""

    string: int
    fret: int
    pitch: int
    tone: ChordTone


@record
class Motion:
    """How a tone goes on into the next chord: `semitones` is 0 (common tone), 1 or -1."""

    source: ChordTone
    target: ChordTone
    semitones: int


def chord_tones(chord: Mapping[str, Any]) -> tuple[ChordTone, ...]:
    """Return the tones of a chord-map chord in the order of its degrees, a foreign bass last.

    >>> tones = chord_tones({"notes": ["E", "G#", "B", "D"], "degrees": ["1", "3", "5", "b7"],
    ...     "pitch_classes": [4, 8, 11, 2], "root": "E", "bass": "F#", "guide_tones": ["G#", "D"]})
    >>> [(tone.note, tone.degree, tone.role) for tone in tones]
    [('E', '1', 'root'), ('G#', '3', 'guide'), ('B', '5', 'tone'), ('D', 'b7', 'guide'), \
('F#', 'bass', 'bass')]
    """
    tones = []
    for note, degree, pitch_class in zip(
        chord["notes"], chord["degrees"], chord["pitch_classes"], strict=False
    ):
        role: ToneRole = "guide" if note in chord["guide_tones"] else "tone"
        tones.append(ChordTone(note, degree, pitch_class, "root" if degree == "1" else role))
    bass = chord.get("bass")
    if bass and bass not in [tone.note for tone in tones]:
        tones.append(ChordTone(bass, "bass", _pitch_class(bass), "bass"))
    return tuple(tones)


def tones_on_neck(
    tones: Sequence[ChordTone], tuning: Tuning = TUNINGS[0], frets: int = FRETS
) -> tuple[NeckTone, ...]:
    """Return every place of the tones up to `frets`, from string 1 and fret 0 on.

    >>> places = tones_on_neck([ChordTone("C", "1", 0, "root")])
    >>> [(place.string, place.fret) for place in places]
    [(1, 8), (2, 1), (2, 13), (3, 5), (4, 10), (5, 3), (5, 15), (6, 8)]
    """
    by_class = {tone.pitch_class: tone for tone in reversed(tones)}
    return tuple(
        NeckTone(string, fret, pitch + fret, by_class[(pitch + fret) % 12])
        for string, pitch in enumerate(reversed(tuning.pitches), start=1)
        for fret in range(frets + 1)
        if (pitch + fret) % 12 in by_class
    )


def motions(current: Sequence[ChordTone], following: Sequence[ChordTone]) -> tuple[Motion, ...]:
    """Return the common tones and the half-step moves from one chord to the next.

    A tone that stays does not move; a half step leads from a tone that the next chord lacks to
    one that this chord lacks.

    >>> g7 = [ChordTone(n, d, p, "tone") for n, d, p in
    ...     [("G", "1", 7), ("B", "3", 11), ("D", "5", 2), ("F", "b7", 5)]]
    >>> c = [ChordTone(n, d, p, "tone") for n, d, p in
    ...     [("C", "1", 0), ("E", "3", 4), ("G", "5", 7)]]
    >>> [(m.source.note, m.target.note, m.semitones) for m in motions(g7, c)]
    [('G', 'G', 0), ('B', 'C', 1), ('F', 'E', -1)]
    """
    here = {tone.pitch_class for tone in current}
    there = {tone.pitch_class: tone for tone in reversed(following)}
    found = []
    for tone in current:
        if tone.pitch_class in there:
            found.append(Motion(tone, there[tone.pitch_class], 0))
            continue
        for step in (1, -1):
            goal = (tone.pitch_class + step) % 12
            if goal in there and goal not in here:
                found.append(Motion(tone, there[goal], step))
    return tuple(found)


def _pitch_class(note: str) -> int:
    steps = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    return (steps[note[0]] + note.count("#") - note[1:].count("b")) % 12
