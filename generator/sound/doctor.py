"""What sound needs of the machine, what is there, and the line that installs the rest."""

import sys
from pathlib import Path

from generator.errors import FontError, MissingToolError
from generator.record import record

__all__ = ["Finding", "examine", "font_remark"]

_BIG_FONT_QUALITY = 3
_INSTALL_FONT = "apt-get install fluid-soundfont-gm"


@record
class Finding:
    """One thing that was looked for; an `optional` one has a stand-in."""

    name: str
    ok: bool
    found: str
    remedy: str = ""
    optional: bool = False


def examine() -> tuple[Finding, ...]:
    """Look for everything that rendering uses."""
    return (_python(), _synthesiser(), _font(), _ffmpeg())


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    ok = (3, 11) <= sys.version_info < (3, 14)
    return Finding("Python", ok, version, "" if ok else "use Python 3.11 to 3.13")


def _synthesiser() -> Finding:
    from generator.sound.synth import library_version

    try:
        return Finding("FluidSynth library", True, library_version())
    except MissingToolError as error:
        return Finding("FluidSynth library", False, "not found", str(error))


def _font() -> Finding:
    from generator.sound.fonts import choose_font

    try:
        font = choose_font()
    except FontError as error:
        return Finding("SoundFont", False, "none", str(error))
    remedy = font_remark(font.path)
    return Finding("SoundFont", True, f"{font.name} ({font.path})", remedy, optional=True)


def font_remark(path: Path) -> str:
    """Return what to say when a font is the small one that is always there, else nothing."""
    from generator.sound.fonts import choose_font

    font = choose_font(path)
    if font.quality == 0 or font.quality >= _BIG_FONT_QUALITY:
        return ""
    return f"{font.name} plays, a small font; a bigger one sounds better: {_INSTALL_FONT}"


def _ffmpeg() -> Finding:
    from generator.sound.encode import ffmpeg_program

    try:
        program = ffmpeg_program()
    except MissingToolError as error:
        return Finding("ffmpeg", False, "not found", str(error), optional=True)
    if "imageio_ffmpeg" in Path(program).parts:
        remedy = "the stand-in of the imageio-ffmpeg package; apt-get install ffmpeg for the whole"
        return Finding("ffmpeg", True, program, remedy, optional=True)
    return Finding("ffmpeg", True, program)
