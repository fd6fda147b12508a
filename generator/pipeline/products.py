"""What is made of a track beside its sound: MIDI file, chord map, chart, sheet, and the page."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from generator.band.arrangement import Arrangement
from generator.pipeline.options import RenderOptions
from generator.record import record

if TYPE_CHECKING:
    from generator.chordmap.sections import Content
    from generator.pipeline.prepare import Track
    from generator.sound.model import AudioFile

__all__ = ["Documents", "documents_of", "map_text", "page_text", "track_map"]


@record
class Documents:
    """Those that were asked for; `map` names no audio file yet, and is there for a page too."""

    midi: bytes | None = None
    map: str | None = None
    chart: str | None = None
    sheet: bytes | None = None


def documents_of(track: "Track", options: RenderOptions) -> Documents:
    """Make what can be made before there is sound."""
    formats = options.formats
    return Documents(
        _midi(track, options) if "midi" in formats else None,
        _map(track, options) if "map" in formats or "page" in formats else None,
        _chart(track) if "chart" in formats else None,
        _sheet(track, options) if "sheet" in formats else None,
    )


def map_text(documents: Documents, audio: tuple["AudioFile", ...]) -> str:
    """Return the chord map, naming these audio files."""
    from generator.chordmap.json_text import with_audio

    entries: list[dict[str, Any]] = [
        {
            "file": file.path.name,
            "part": file.part,
            "format": file.format,
            "sha256": file.sha256,
            "duration_s": file.duration_s,
            "sample_rate": file.sample_rate_hz,
            "start_offset_s": file.start_offset_s,
        }
        for file in audio
    ]
    return with_audio(documents.map or "", entries)


def page_text(documents: Documents, audio: tuple["AudioFile", ...]) -> str:
    """Return the practice page, with the M4A files among `audio` inside it."""
    import json

    from generator.handout.page import MEDIA_TYPES, build_page

    inside = tuple(file for file in audio if file.format == "m4a")
    sound = {file.part: (MEDIA_TYPES["m4a"], file.path.read_bytes()) for file in inside}
    return build_page(json.loads(map_text(documents, inside)), sound)


def track_map(track: "Track", options: RenderOptions) -> "Content":
    """Return the content of the chord map of a track, naming no audio file."""
    from generator import __version__
    from generator.chordmap.build import map_content

    return map_content(
        track.timeline,
        style=track.arrangement.style,
        seed=track.arrangement.seed,
        version=__version__,
        tuning_hz=options.tuning_hz,
        written_for=options.written_for,
        capo=options.capo,
    )


def _midi(track: "Track", options: RenderOptions) -> bytes:
    from generator.midi import midi_bytes

    return midi_bytes(_without(track.arrangement, options.mute), track.timeline)


def _map(track: "Track", options: RenderOptions) -> str:
    from generator.chordmap.build import map_json

    return map_json(track_map(track, options))


def _chart(track: "Track") -> str:
    from generator.chart.format import format_chart

    return format_chart(track.chart)


def _sheet(track: "Track", options: RenderOptions) -> bytes:
    from generator import __version__
    from generator.handout.sheet import draw_sheet

    return draw_sheet(
        track.chart, version=__version__, written_for=options.written_for, capo=options.capo
    )


def _without(arrangement: Arrangement, mute: tuple[str, ...]) -> Arrangement:
    parts = tuple(part for part in arrangement.parts if part.name not in mute)
    return replace(arrangement, parts=parts)
