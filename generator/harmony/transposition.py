"""Transposition by fifths: how far to move, and how names are made plain on arrival.

Every root moves by the same number of fifths, so that a chart that is spelled well stays spelled
well. Only names that the key reached does not hold are respelled: double accidentals, and
Cb Fb E# B#. A minor key holds its raised leading tone too: the diminished seventh of F# minor is
E#dim7. Tones and a slash bass are spelled from their root and follow by themselves.
"""

from generator.errors import KeyNameError
from generator.harmony.key import MODES, Key
from generator.harmony.spelling import NoteName

__all__ = [
    "READERS",
    "capo_key",
    "fifths_to_key",
    "key_after_semitones",
    "plain_accidental",
    "transposed_note",
    "written_key",
]

# What a player of a transposing instrument reads above concert pitch, in semitones: a major
# second (trumpet, clarinet; the tenor saxophone an octave more), a major sixth (alto saxophone,
# the baritone an octave more), a perfect fifth (horn, English horn). Standard organology.
READERS = {"c": 0, "bb": 2, "eb": 9, "f": 7}

_AWKWARD = ("Cb", "Fb", "E#", "B#")


def transposed_note(note: NoteName, fifths: int, key: Key | None = None) -> NoteName:
    """Move a name by fifths; make it plain unless `key`, the key reached, holds it.

    >>> transposed_note(NoteName("E"), 7).name
    'F'
    """
    moved = note.shifted(fifths)
    if key is not None and (moved in key.notes or moved == _leading_tone(key)):
        return plain_accidental(moved)
    while moved.name in _AWKWARD or abs(moved.accidental) > 1:
        moved = moved.shifted(-12 if moved.fifths > 0 else 12)
    return moved


def plain_accidental(note: NoteName) -> NoteName:
    """Return the note itself, or by another letter when it has a double accidental.

    >>> plain_accidental(NoteName("F", 2)).name
    'G'
    """
    while abs(note.accidental) > 1:
        note = note.shifted(-12 if note.fifths > 0 else 12)
    return note


def _leading_tone(key: Key) -> NoteName | None:
    return key.tonic.shifted(5) if key.mode in ("minor", "aeolian") else None


def fifths_to_key(source: Key, target: Key) -> int:
    """Return the number of fifths that leads from one key to another of the same mode.

    Raises
    ------
    KeyNameError
        If the modes differ: transposing does not turn minor into major.
    """
    same = {"ionian": "major", "aeolian": "minor"}
    if same.get(source.mode, source.mode) != same.get(target.mode, target.mode):
        raise KeyNameError(
            f"cannot transpose from {source.name} to {target.name}: the mode stays; "
            f"write {target.tonic} {source.mode}"
        )
    return target.tonic.fifths - source.tonic.fifths


def key_after_semitones(source: Key, semitones: int) -> Key:
    """Return the key that lies a number of semitones up (or down, if negative).

    Of the two names of a key with six sharps or six flats, the side of the source is kept; a
    source without accidentals gives sharps upward and flats downward.

    >>> from generator.harmony.key import parse_key
    >>> key_after_semitones(parse_key("Eb"), 3).name, key_after_semitones(parse_key("A"), 9).name
    ('Gb major', 'F# major')
    """
    if semitones % 12 == 0:
        return source
    signature = (source.fifths + 7 * semitones + 5) % 12 - 5
    if signature == 6 and (source.fifths or semitones) < 0:
        signature = -6
    return Key(NoteName.from_fifths(signature - MODES[source.mode]), source.mode)


def written_key(key: Key, reader: str) -> Key:
    """Return the key that a reader of a transposing instrument sees for a concert key.

    Parameters
    ----------
    reader : str
        "bb" reads a major second up, "eb" a major sixth up, "f" a perfect fifth up, "c" as is.

    Raises
    ------
    KeyNameError
        If there is no such reader.
    """
    semitones = READERS.get(reader.lower())
    if semitones is None:
        raise KeyNameError(f"no instrument in {reader[:12]!r}: write bb, eb or f")
    return key_after_semitones(key, semitones)


def capo_key(key: Key, frets: int) -> Key:
    """Return the key of the shapes that sound in `key` with a capo at a fret (0 to 11).

    Raises
    ------
    KeyNameError
        If the fret lies outside 0 to 11.
    """
    if not 0 <= frets <= 11:
        raise KeyNameError(f"a capo at fret {frets}: write 0 to 11")
    return key_after_semitones(key, -frets)
