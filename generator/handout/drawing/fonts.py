"""The faces that chartbed prints with, and how wide their text runs.

All of them travel with matplotlib: STIX General (SIL Open Font License) for music and DejaVu Sans
(Bitstream Vera licence) for labels. A character that a face lacks is taken from DejaVu Sans, then
from any font of the computer, and is a white square when none holds it.
"""

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from generator.handout.drawing.paths import Outline
from generator.record import record

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font

__all__ = [
    "SANS",
    "SANS_BOLD",
    "SERIF",
    "SERIF_BOLD",
    "SERIF_BOLD_ITALIC",
    "SERIF_ITALIC",
    "Face",
    "Run",
    "advance",
    "clean",
    "figures",
    "fitting_size",
    "runs",
]

_MEASURE_PT = 100.0
_FALLBACK = "DejaVuSans.ttf"
_MISSING = "□"


@record
class Face:
    """A font file among those of matplotlib."""

    file: str


SERIF = Face("STIXGeneral.ttf")
SERIF_BOLD = Face("STIXGeneralBol.ttf")
SERIF_ITALIC = Face("STIXGeneralItalic.ttf")
SERIF_BOLD_ITALIC = Face("STIXGeneralBolIta.ttf")
SANS = Face("DejaVuSans.ttf")
SANS_BOLD = Face("DejaVuSans-Bold.ttf")


@record
class Run:
    """Text of one font file; `path` is its place on this computer."""

    text: str
    path: str


def clean(text: str) -> str:
    r"""Return text on one line: whatever is no visible character becomes a space.

    >>> clean("two\nlines")
    'two lines'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


@cache
def runs(text: str, face: Face) -> tuple[Run, ...]:
    """Split text where the font must change so that every character is drawn."""
    found: list[Run] = []
    for char in text:
        path = _path_for(char, face)
        shown = char if path else _MISSING
        path = path or _own_path(_FALLBACK)
        if found and found[-1].path == path:
            found[-1] = Run(found[-1].text + shown, path)
        else:
            found.append(Run(shown, path))
    return tuple(found)


def advance(text: str, face: Face, size_pt: float) -> float:
    """Return how far a text runs, in points, without kerning."""
    total = sum(_char_advance(char, run.path) for run in runs(text, face) for char in run.text)
    return total * size_pt / _MEASURE_PT


def fitting_size(text: str, face: Face, size_pt: float, width_pt: float) -> float:
    """Return `size_pt`, or the smaller size at which the text fits a width."""
    width = advance(text, face, size_pt)
    return size_pt if width <= width_pt else size_pt * width_pt / width


@cache
def figures(text: str, face: Face, size_pt: float) -> Outline:
    """Return text as an outline, centred on x 0, its baseline at y 0."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(fname=_own_path(face.file))
    drawn = TextPath((0, 0), text, size=size_pt, prop=font, usetex=False)
    shift = advance(text, face, size_pt) / 2
    vertices = tuple((float(x) - shift, -float(y)) for x, y in drawn.vertices)
    return Outline(vertices, tuple(int(code) for code in drawn.codes))


@cache
def _own_path(file: str) -> str:
    from matplotlib import get_data_path

    return str(Path(get_data_path()) / "fonts" / "ttf" / file)


def _font(path: str) -> "FT2Font":
    from matplotlib.font_manager import get_font

    return get_font(path)


@cache
def _characters(path: str) -> frozenset[int]:
    return frozenset(_font(path).get_charmap())


@cache
def _path_for(char: str, face: Face) -> str | None:
    for file in (face.file, _FALLBACK):
        if ord(char) in _characters(_own_path(file)):
            return _own_path(file)
    return _computer_font(char)


@cache
def _computer_font(char: str) -> str | None:
    """Find a font of the computer that holds a character; rare, and slow the first time."""
    from matplotlib.font_manager import fontManager

    for path in sorted({entry.fname for entry in fontManager.ttflist}):
        if path.endswith((".ttf", ".otf")) and "LastResort" not in path:
            try:
                if ord(char) in _characters(path):
                    return path
            except (OSError, RuntimeError):
                continue  # a broken font of the computer is no reason to fail
    return None


@cache
def _char_advance(char: str, path: str) -> float:
    from matplotlib.ft2font import LoadFlags

    font = _font(path)
    font.set_size(_MEASURE_PT, 72)
    glyph = font.load_char(ord(char), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536
