"""The harmony as a transposing instrument, or a guitarist with a capo, reads it."""

from typing import Any

from generator.errors import OptionError
from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.transposition import capo_key, fifths_to_key, written_key
from generator.record import record

__all__ = ["WrittenView", "written_view"]


@record
class WrittenView:
    """Names for the reader `bb`, `eb` or `f`, or for a capo at a fret."""

    reader: str | None
    capo: int

    @property
    def name(self) -> str:
        """The name in the map: "bb", "capo 3"."""
        return self.reader or f"capo {self.capo}"

    def key(self, key: Key) -> Key:
        """Return a sounding key as this reader sees it."""
        return written_key(key, self.reader) if self.reader else capo_key(key, self.capo)

    def chord(self, chord: Chord, key: Key) -> dict[str, Any]:
        """Return a chord of `key` as this reader sees it, by the fields of `WrittenChord`."""
        target = self.key(key)
        moved = chord.transpose(fifths_to_key(key, target), target)
        return {
            "for": self.name,
            "symbol": moved.symbol,
            "root": moved.root.name,
            "bass": moved.bass.name if moved.bass else None,
            "notes": tuple(note.name for note in moved.notes),
        }


def written_view(written_for: str | None, capo: int | None) -> WrittenView | None:
    """Return the view that two options ask for, None for none.

    Raises
    ------
    OptionError
        If both are given.
    """
    if written_for and capo:
        raise OptionError("a written view is for an instrument or for a capo: give one of the two")
    if written_for:
        return WrittenView(written_for.lower(), 0)
    return WrittenView(None, capo) if capo else None
