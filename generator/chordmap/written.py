"""The harmony as a transposing instrument, or a guitarist with a capo, reads it."""

from dataclasses import dataclass

from generator.chordmap.model import WrittenChord
from generator.errors import OptionError
from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.transposition import fifths_to_key, key_after_semitones

__all__ = ["READERS", "WrittenView", "written_view"]

READERS = {"bb": 2, "eb": 9, "f": 7}
"""Semitones from sounding up to written pitch: a clarinet in B flat reads a whole tone higher
than it sounds, an alto saxophone in E flat a major sixth, a horn in F a fifth (any handbook of
orchestration; from memory)."""


@dataclass(frozen=True, slots=True)
class WrittenView:
    """Names moved by `semitones` for the reader `name`."""

    name: str
    semitones: int

    def chord(self, chord: Chord, key: Key) -> WrittenChord:
        """Return a chord of `key` as this reader sees it."""
        target = key_after_semitones(key, self.semitones)
        moved = chord.transpose(fifths_to_key(key, target), target)
        return WrittenChord(
            for_=self.name,
            symbol=moved.symbol,
            root=moved.root.name,
            bass=moved.bass.name if moved.bass else None,
            notes=tuple(note.name for note in moved.notes),
        )


def written_view(written_for: str | None, capo: int | None) -> WrittenView | None:
    """Return the view that two options ask for, None for none.

    >>> written_view("eb", None)
    WrittenView(name='eb', semitones=9)
    >>> written_view(None, 3)
    WrittenView(name='capo 3', semitones=-3)

    Raises
    ------
    OptionError
        If an option is unknown or out of range, or both are given.
    """
    if written_for is not None and capo:
        raise OptionError("a written view is for an instrument or for a capo: give one of the two")
    if written_for is not None:
        if written_for.lower() not in READERS:
            names = ", ".join(READERS)
            raise OptionError(f"no written view for {written_for!r}: use {names}")
        return WrittenView(written_for.lower(), READERS[written_for.lower()])
    if capo:
        if not 1 <= capo <= 11:
            raise OptionError(f"a capo sits at fret 1 to 11, got {capo}")
        return WrittenView(f"capo {capo}", -capo)
    return None
