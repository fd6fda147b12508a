"""Sound: fonts, synthesiser, mix, loudness, encoding. Importing it loads no numpy, no synth."""

from generator.sound.fonts import Font, choose_font, find_fonts
from generator.sound.model import (
    FORMATS,
    MIX,
    AudioFile,
    AudioFormat,
    AudioReport,
    AudioTarget,
    Chapter,
    SoundSettings,
    Tags,
)
from generator.sound.presets import MixPreset, mix_presets
from generator.sound.track import render_audio

__all__ = [
    "FORMATS",
    "MIX",
    "AudioFile",
    "AudioFormat",
    "AudioReport",
    "AudioTarget",
    "Chapter",
    "Font",
    "MixPreset",
    "SoundSettings",
    "Tags",
    "choose_font",
    "find_fonts",
    "mix_presets",
    "render_audio",
]
