"""chartbed: a chord chart goes in, the bed to play over comes out.

The public surface, loaded on first use, so that `import generator` costs nothing:

>>> import generator
>>> generator.parse_chord("Ebm7b5").notes[2].name
'Bbb'
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from generator.band.arrange import arrange
    from generator.band.style import load_style
    from generator.band.style_catalogue import style_names
    from generator.chart.format import format_chart
    from generator.chart.parser import parse_chart, read_chart
    from generator.chart.transpose import transpose_chart
    from generator.chordmap.build import build_map
    from generator.chordmap.export import export_map
    from generator.chordmap.importer import import_chart
    from generator.chordmap.reader import ChordMap
    from generator.errors import (
        ChartbedError,
        ChartError,
        ChordError,
        ChordMapError,
        EncodeError,
        FontError,
        ImportFileError,
        InputError,
        KeyNameError,
        MissingToolError,
        OptionError,
        OutputError,
        PackError,
        StyleError,
        SynthError,
        WorkError,
    )
    from generator.harmony.chord import parse_chord
    from generator.harmony.guidance import guide
    from generator.harmony.key import parse_key
    from generator.midi import midi_bytes
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.render import render_track
    from generator.timeline.build import build_timeline

__version__ = "0.1.0"

__all__ = [
    "ChartError",
    "ChartbedError",
    "ChordError",
    "ChordMap",
    "ChordMapError",
    "EncodeError",
    "FontError",
    "ImportFileError",
    "InputError",
    "KeyNameError",
    "MissingToolError",
    "OptionError",
    "OutputError",
    "PackError",
    "RenderOptions",
    "StyleError",
    "SynthError",
    "WorkError",
    "arrange",
    "build_map",
    "build_timeline",
    "export_map",
    "format_chart",
    "guide",
    "import_chart",
    "load_style",
    "midi_bytes",
    "parse_chart",
    "parse_chord",
    "parse_key",
    "read_chart",
    "render_track",
    "style_names",
    "transpose_chart",
]

_HOMES = {
    "ChordMap": "chordmap.reader",
    "RenderOptions": "pipeline.options",
    "arrange": "band.arrange",
    "build_map": "chordmap.build",
    "build_timeline": "timeline.build",
    "export_map": "chordmap.export",
    "format_chart": "chart.format",
    "guide": "harmony.guidance",
    "import_chart": "chordmap.importer",
    "load_style": "band.style",
    "midi_bytes": "midi",
    "parse_chart": "chart.parser",
    "parse_chord": "harmony.chord",
    "parse_key": "harmony.key",
    "read_chart": "chart.parser",
    "render_track": "pipeline.render",
    "style_names": "band.style_catalogue",
    "transpose_chart": "chart.transpose",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES.get(name, 'errors')}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
