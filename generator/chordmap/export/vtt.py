"""WebVTT (W3C): captions of the chord and the next one, and a second file of the sections."""

from collections.abc import Iterable
from itertools import pairwise

from generator.chordmap.chapters import section_name
from generator.chordmap.export.clip import from_zero, one_line
from generator.chordmap.reader import ChordMap
from generator.chordmap.records import ChordEntry

__all__ = ["write"]


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the captions and the sections."""
    chords = chord_map.chords
    following = {
        chord.start_tick: after.symbol if after.kind != "rest" else "rest"
        for chord, after in pairwise(chords)
    }
    captions = (
        (start, end, _caption(chord, following.get(chord.start_tick)))
        for start, end, chord in from_zero(chords)
    )
    sections = (
        (start, end, _escaped(section_name(section)))
        for start, end, section in from_zero(chord_map.sections)
    )
    return {".chords.vtt": _file(captions), ".sections.vtt": _file(sections)}


def _caption(chord: ChordEntry, following: str | None) -> str:
    symbol = "rest" if chord.kind == "rest" else chord.symbol
    return _escaped(symbol) + (f"\nnext: {_escaped(following)}" if following else "")


def _file(cues: Iterable[tuple[float, float, str]]) -> bytes:
    blocks = ["WEBVTT\n"]
    for start_s, end_s, text in cues:
        start, end = _timestamp(start_s), _timestamp(end_s)
        if end > start:  # a sliver under a millisecond, left by a shift, makes no cue
            blocks.append(f"{start} --> {end}\n{text}\n")
    return "\n".join(blocks).encode()


def _timestamp(time_s: float) -> str:
    """Write hours, minutes, seconds and thousandths.

    >>> _timestamp(3661.5)
    '01:01:01.500'
    """
    ms = round(time_s * 1000)
    return f"{ms // 3_600_000:02}:{ms // 60_000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}"


def _escaped(text: str) -> str:
    return one_line(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
