"""The stages in order: chart -> timeline -> band -> MIDI and sound; the map off the timeline."""

from generator.pipeline.options import AUDIO_ENDINGS, DEFAULT_FORMATS, FORMATS, RenderOptions
from generator.pipeline.prepare import Track, in_key, load_chart, prepare
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
    "in_key",
    "load_chart",
    "prepare",
    "render_track",
    "track_map",
]
