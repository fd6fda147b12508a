"""From drawings to bytes: PDF with embedded TrueType fonts, SVG, PNG.

matplotlib writes the files, through its canvases and never through pyplot: nothing is shared with
a program that plots. The same drawings give the same bytes: no date, no random ids.
"""

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from generator.errors import OptionError
from generator.handout.drawing.marks import Drawing, PathMark, TextMark

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.transforms import Transform

__all__ = ["PictureFormat", "SheetFormat", "format_of", "write_drawings"]

SheetFormat = Literal["pdf", "svg", "png"]
PictureFormat = Literal["svg", "png"]

_PNG_DPI = 160
_PNG_MAX_PX = 32_000  # Agg refuses more than 65,535 on a side; viewers give up earlier
_BETWEEN_PAGES_PT = 8.0
_SETTINGS: dict[str, Any] = {
    "pdf.fonttype": 42,  # TrueType outlines, embedded: text can be selected and searched
    "pdf.compression": 6,
    "svg.fonttype": "path",  # a browser need not have the fonts
    "svg.hashsalt": "chartbed",
    "text.usetex": False,
    "text.parse_math": False,
    "path.simplify": False,
}


def format_of(path: Path, formats: Sequence[str]) -> str:
    """Return the format that a file name ends in.

    >>> format_of(Path("song.PDF"), ("pdf", "svg"))
    'pdf'

    Raises
    ------
    OptionError
        If it is none of `formats`.
    """
    ending = path.suffix.lower().removeprefix(".")
    if ending not in formats:
        shown = f".{ending}" if ending else "a name without an ending"
        endings = ", ".join(f".{name}" for name in formats)
        raise OptionError(f"{path}: cannot draw as {shown}; end the name in {endings}")
    return ending


def write_drawings(drawings: Sequence[Drawing], file_format: str, *, creator: str = "") -> bytes:
    """Write drawings as one file.

    A PDF has one page a drawing; in SVG and PNG they stand one below the other.

    Raises
    ------
    OptionError
        If the format is unknown.
    """
    if file_format not in ("pdf", "svg", "png"):
        raise OptionError(f"cannot draw as {file_format!r}: use pdf, svg or png")
    with _own_settings():
        if file_format == "pdf":
            return _pdf(drawings, creator)
        figure = _figure(drawings)
        metadata: dict[str, Any] = {"Title": drawings[0].title}
        settings: dict[str, Any] = {"dpi": 72}
        if file_format == "svg":
            metadata |= {"Description": drawings[0].description, "Date": None}
            metadata |= {"Creator": creator or None}
        else:
            height_in = float(figure.get_size_inches()[1])
            settings = {"dpi": min(_PNG_DPI, _PNG_MAX_PX / height_in)}
            metadata |= {"Software": creator or None}
        buffer = io.BytesIO()
        figure.savefig(buffer, format=file_format, metadata=metadata, **settings)
        return buffer.getvalue()


@contextmanager
def _own_settings() -> Iterator[None]:
    # A matplotlibrc of the user must not change a chart.
    from matplotlib import style

    with style.context(["default", _SETTINGS]):
        yield


def _pdf(drawings: Sequence[Drawing], creator: str) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    metadata = {
        "Title": drawings[0].title,
        "Subject": drawings[0].description.partition(". ")[0],
        "Creator": creator or None,
        "CreationDate": None,
    }
    with PdfPages(buffer, metadata=metadata) as pages:
        for drawing in drawings:
            pages.savefig(_figure([drawing]))
    return buffer.getvalue()


def _figure(drawings: Sequence[Drawing]) -> "Figure":
    from matplotlib.figure import Figure
    from matplotlib.transforms import Affine2D

    zoom = drawings[0].zoom
    width = max(drawing.width_pt for drawing in drawings) * zoom
    gaps = _BETWEEN_PAGES_PT * (len(drawings) - 1)
    height = sum(drawing.height_pt for drawing in drawings) * zoom + gaps
    figure = Figure(figsize=(width / 72, height / 72), dpi=72, facecolor=drawings[0].paper)
    top = 0.0
    for i, drawing in enumerate(drawings):
        to_inches = Affine2D().scale(zoom).translate(0, top - height).scale(1 / 72, -1 / 72)
        place = to_inches + figure.dpi_scale_trans
        if i:
            _rule(figure, width, place)
        for mark in drawing.marks:
            _add(figure, mark, place, zoom)
        top += drawing.height_pt * zoom + _BETWEEN_PAGES_PT
    return figure


def _rule(figure: "Figure", width: float, place: "Transform") -> None:
    """Draw a band between two pages that stand one below the other."""
    from generator.handout.drawing.paths import rectangle

    band = rectangle(0, -_BETWEEN_PAGES_PT, width, _BETWEEN_PAGES_PT)
    _add(figure, PathMark(band, fill="#d5d5da"), place, 1.0)


def _add(figure: "Figure", mark: TextMark | PathMark, place: "Transform", zoom: float) -> None:
    artist = _text(mark, place, zoom) if isinstance(mark, TextMark) else _path(mark, place, zoom)
    artist.set_zorder(len(figure.artists))  # in the order of the marks, whatever they are
    artist.set_clip_on(False)
    if mark.name:
        artist.set_gid(mark.name)
    figure.add_artist(artist)


def _text(mark: TextMark, place: "Transform", zoom: float) -> Any:
    from matplotlib.font_manager import FontProperties
    from matplotlib.text import Text

    return Text(
        mark.x,
        mark.y,
        mark.text,
        fontproperties=FontProperties(fname=mark.font_path, size=mark.size_pt * zoom),
        color=mark.color,
        horizontalalignment="left",
        verticalalignment="baseline",
        parse_math=False,
        transform=place,
    )


def _path(mark: PathMark, place: "Transform", zoom: float) -> Any:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    patch = PathPatch(
        Path(list(mark.outline.vertices), list(mark.outline.codes)),
        facecolor=mark.fill or "none",
        edgecolor=mark.stroke or "none",
        linewidth=mark.width_pt * zoom if mark.stroke else 0,
        alpha=mark.alpha,
        joinstyle="round",
        capstyle="butt" if mark.dashes else "round",
        transform=place,
    )
    if mark.dashes:
        patch.set_linestyle((0, tuple(dash / mark.width_pt for dash in mark.dashes)))
    return patch
