"""`.lab`: start, end and label of each chord, tab-separated, one line each.

Labels follow C. Harte, M. Sandler, S. Abdallah, E. Gomez: Symbolic Representation of Musical
Chords, ISMIR 2005; `N` is no chord. What lies before the first chord is one `N`.
"""

from generator.chordmap.export.clip import from_zero
from generator.chordmap.reader import ChordMap

__all__ = ["write"]


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the `.lab` file."""
    rows = [(start, end, chord.harte) for start, end, chord in from_zero(chord_map.chords)]
    if rows[0][0] > 0:
        rows.insert(0, (0.0, rows[0][0], "N"))
    lines = [f"{start:.6f}\t{end:.6f}\t{label}\n" for start, end, label in rows]
    return {".lab": "".join(lines).encode()}
