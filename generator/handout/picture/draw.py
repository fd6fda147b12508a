"""One picture of a track, from its chord map and the files beside it."""

from pathlib import Path
from typing import Literal

from generator.band.arrangement import Part
from generator.chordmap.reader import ChordMap
from generator.errors import OptionError
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.output import PictureFormat, write_drawings

__all__ = ["KINDS", "PictureKind", "draw_picture", "picture_of_file"]

PictureKind = Literal["form", "roll", "fretboard", "wave"]
KINDS = ("form", "roll", "fretboard", "wave")
"""What can be drawn."""


def picture_of_file(
    map_path: Path,
    kind: PictureKind,
    *,
    format: PictureFormat = "svg",  # noqa: A002
    midi_path: Path | None = None,
    audio_path: Path | None = None,
    chord: str | None = None,
    bars: tuple[int, int] | None = None,
    labels: Literal["degrees", "notes"] = "degrees",
    tuning: str = "Standard",
) -> bytes:
    """Draw a picture of a chord map file; MIDI and audio are looked for beside it.

    The parameters are those of `draw_picture`.

    Raises
    ------
    ChordMapError
        If the map cannot be read.
    OptionError
        If the kind, format, chord or bars make no sense, or the MIDI file of a `roll` or the
        audio file of a `wave` is not there.
    """
    from generator.handout.picture.beside import audio_beside, midi_beside

    song = ChordMap.load(map_path)
    if kind == "roll":
        midi_path = midi_path or midi_beside(map_path)
    if kind == "wave":
        audio_path = audio_path or audio_beside(map_path, song)
    return draw_picture(
        song, kind, format=format, midi_path=midi_path, audio_path=audio_path, chord=chord,
        bars=bars, labels=labels, tuning=tuning,
    )  # fmt: skip


def draw_picture(
    song: ChordMap,
    kind: PictureKind,
    *,
    format: PictureFormat = "svg",  # noqa: A002
    midi_path: Path | None = None,
    parts: tuple[Part, ...] | None = None,
    audio_path: Path | None = None,
    chord: str | None = None,
    bars: tuple[int, int] | None = None,
    labels: Literal["degrees", "notes"] = "degrees",
    tuning: str = "Standard",
) -> bytes:
    """Draw a picture of a track.

    Parameters
    ----------
    song : ChordMap
        The chord map.
    kind : {"form", "roll", "fretboard", "wave"}
        The form in time with dynamics; what the band plays (needs `parts` or `midi_path`);
        chord tones on a neck, for `chord` or for every chord of the form; the waveform (needs
        `audio_path`).
    format : {"svg", "png"}
    parts : tuple of Part, optional
        What the band plays, instead of a MIDI file.
    chord : str, optional
        One chord symbol, for `fretboard`; it need not occur in the track.
    bars : (int, int), optional
        First and last played bar, for `form`, `roll` and `wave`.
    labels : {"degrees", "notes"}
        What stands in the dots of a neck.
    tuning : str
        Name of a tuning of `handout/neck.py`.

    Returns
    -------
    bytes
        The file. The same input gives the same bytes.

    Raises
    ------
    OptionError, ChordError
        If something asked for makes no sense or is missing.
    """
    if format not in ("svg", "png"):
        raise OptionError(f"cannot draw a picture as {format!r}: use svg or png")
    drawing = _drawing(song, kind, midi_path, parts, audio_path, chord, bars, labels, tuning)
    version = song.made_by.version
    return write_drawings([drawing], format, creator=f"chartbed {version}")


def _drawing(
    song: ChordMap,
    kind: str,
    midi_path: Path | None,
    parts: tuple[Part, ...] | None,
    audio_path: Path | None,
    chord: str | None,
    bars: tuple[int, int] | None,
    labels: str,
    tuning: str,
) -> Drawing:
    if kind == "form":
        from generator.handout.picture.form import form_picture

        return form_picture(song, bars=bars)
    if kind == "roll":
        from generator.handout.picture.beside import parts_of_midi
        from generator.handout.picture.roll import roll_picture

        if parts is None and midi_path is None:
            raise OptionError("a roll needs the MIDI file of the track")
        return roll_picture(song, parts or parts_of_midi(midi_path), bars=bars)  # type: ignore[arg-type]
    if kind == "fretboard":
        from generator.handout.picture.fretboard import fretboard_picture

        return fretboard_picture(song, chord=chord, labels=labels, tuning=tuning)
    if kind == "wave":
        from generator.handout.picture.wave import wave_picture

        if audio_path is None:
            raise OptionError("a wave needs the audio file of the track")
        return wave_picture(song, audio_path, bars=bars)
    raise OptionError(f"no picture {kind!r}: use {', '.join(KINDS)}")
