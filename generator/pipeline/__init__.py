"""The stages in order: chart -> timeline -> band -> MIDI and sound; the map off the timeline."""

from generator.pipeline.options import (
    AUDIO_ENDINGS,
    DEFAULT_FORMATS,
    FORMATS,
    RenderOptions,
    check_formats,
)
from generator.pipeline.prepare import Track, asked_key, in_key, load_chart, prepare
from generator.pipeline.products import track_map
from generator.pipeline.render import OutputFile, RenderResult, render_track

__all__ = [
    "AUDIO_ENDINGS",
    "DEFAULT_FORMATS",
    "FORMATS",
    "OutputFile",
    "RenderOptions",
    "RenderResult",
    "Track",
    "asked_key",
    "check_formats",
    "in_key",
    "load_chart",
    "prepare",
    "render_track",
    "track_map",
]
