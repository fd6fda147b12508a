"""A chord map in the formats that other programs read, one module a format.

Each module has a function `write(chord_map) -> dict[str, bytes]`: file name endings, and what the
files hold. It gets a map whose times are already shifted. To add a format, write such a module and
name it in `FORMATS`.
"""

import math
from importlib import import_module

from generator.chordmap.reader import ChordMap
from generator.errors import OptionError
from generator.record import record

__all__ = ["FORMATS", "Format", "export_map"]


@record
class Format:
    """One export format: the module that writes it, and what it is, for help texts."""

    module: str
    description: str


FORMATS = {
    "lab": Format("lab", "chord labels in the syntax of Harte et al. 2005, one line a chord"),
    "jams": Format("jams", "annotations of chords, beats, sections, keys and tempo in JSON"),
    "musicxml": Format("musicxml", "a lead sheet of slashes and chord symbols, MusicXML 4.0"),
    "vtt": Format("vtt", "WebVTT captions of chord and next chord, and a track of sections"),
    "csv": Format("csv", "one row a chord, for spreadsheets and scripts"),
    "chapters": Format("chapters", "a chapter list for the description of a video"),
    "midi": Format("midi", "a MIDI file with tempo, meter, key, markers and chord text"),
}
"""Every format by the name that `--to` takes."""


def export_map(chord_map: ChordMap, to: str, *, shift_s: float = 0.0) -> dict[str, bytes]:
    """Write a chord map in another format.

    Parameters
    ----------
    chord_map : ChordMap
        What to write.
    to : str
        A name of `FORMATS`.
    shift_s : float
        How many seconds later everything lies: the start of the track in the video. When it is
        negative, what lies before zero is cut off. MusicXML has no clock and ignores it.

    Returns
    -------
    dict of str to bytes
        Contents by the ending of the file name, such as `.lab`.

    Raises
    ------
    OptionError
        If there is no such format, or the shift is no number or leaves nothing.
    """
    if to not in FORMATS:
        raise OptionError(f"no export format {to!r}: use {', '.join(FORMATS)}")
    if not math.isfinite(shift_s):
        raise OptionError(f"a shift is a number of seconds, got {shift_s}")
    shifted = chord_map.at_offset(shift_s) if shift_s else chord_map
    if shifted.end_s < 1e-3:
        raise OptionError(
            f"a shift of {shift_s:g} s moves the whole track, {chord_map.end_s:.3f} s, before zero"
        )
    module = import_module(f"generator.chordmap.export.{FORMATS[to].module}")
    written: dict[str, bytes] = module.write(shifted)
    return written
