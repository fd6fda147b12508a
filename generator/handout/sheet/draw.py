"""A chart as a copyist lays it out, on whole pages."""

from typing import Literal

from generator.chart.model import Chart
from generator.chart.transpose import transpose_chart
from generator.errors import OptionError
from generator.handout.drawing.chord_symbol import real_accidentals
from generator.handout.drawing.fonts import clean
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.output import SheetFormat, write_drawings
from generator.handout.sheet.cells import Cell, Extras, build_cells
from generator.handout.sheet.engrave import LineBox, draw_line, line_box
from generator.handout.sheet.heading import (
    Footer,
    draw_footer,
    draw_heading,
    draw_legend,
    draw_running_head,
    has_legend,
)
from generator.handout.sheet.layout import arrange_lines, split_pages
from generator.harmony.transposition import READERS, capo_key, written_key

__all__ = ["PAPERS", "Paper", "draw_sheet", "sheet_pages"]

Paper = Literal["a4", "letter"]
PAPERS: dict[str, tuple[float, float]] = {"a4": (595.276, 841.89), "letter": (612.0, 792.0)}
"""Width and height in points (ISO 216; ANSI/ASME Y14.1)."""

_SIDE, _TOP, _FOOT = 46.0, 42.0, 30.0
_GAP_LEAST, _GAP_WANTED, _GAP_MOST = 9.0, 22.0, 27.0
_SECTION_GAP = 5.0
_ZOOMS = (1.25, 1.17, 1.09, 1.0)
_SMALLER = (0.95, 0.9, 0.86)
_FEW_PAGES = 4
_READER_NAMES = {"bb": "B♭", "eb": "E♭", "f": "F"}


def draw_sheet(
    chart: Chart,
    *,
    format: SheetFormat = "pdf",  # noqa: A002
    version: str,
    roman: bool = False,
    tones: bool = False,
    written_for: str | None = None,
    capo: int | None = None,
    paper: Paper = "a4",
    bars_a_line: int = 4,
) -> bytes:
    """Print a chart.

    Parameters
    ----------
    chart : Chart
        As written: nothing is unfolded.
    format : {"pdf", "svg", "png"}
        SVG and PNG hold all pages, one below the other.
    version : str
        Version of chartbed, for the footer.
    roman, tones : bool
        Add a roman numeral, or the spelled chord tones, below each chord.
    written_for : {"bb", "eb", "f"}, optional
        Write the chart for a transposing instrument.
    capo : int, optional
        Write the shapes that sound with a capo at this fret, 1 to 11.
    paper : {"a4", "letter"}
        Size of the pages.
    bars_a_line : int
        Columns of the grid, 1 to 8.

    Raises
    ------
    OptionError
        If an option is unknown or out of range, or `written_for` and `capo` are both given.
    """
    pages = sheet_pages(
        chart,
        version=version,
        roman=roman,
        tones=tones,
        written_for=written_for,
        capo=capo,
        paper=paper,
        bars_a_line=bars_a_line,
    )
    return write_drawings(pages, format, creator=f"chartbed {version}")


def sheet_pages(
    chart: Chart,
    *,
    version: str,
    roman: bool = False,
    tones: bool = False,
    written_for: str | None = None,
    capo: int | None = None,
    paper: str = "a4",
    bars_a_line: int = 4,
) -> list[Drawing]:
    """Draw the pages of `draw_sheet` without writing a file; same parameters and errors."""
    if paper not in PAPERS:
        raise OptionError(f"no paper {paper!r}: use {' or '.join(PAPERS)}")
    if not 1 <= bars_a_line <= 8:
        raise OptionError(f"{bars_a_line} bars to a line: use 1 to 8")
    written, reader = _as_read(chart, written_for, capo)
    cells = build_cells(written, Extras(roman=roman, tones=tones))

    def at(zoom: float) -> list[Drawing]:
        return _pages(written, reader, cells, PAPERS[paper], bars_a_line, version, zoom)

    larger = _zoom(cells, PAPERS[paper], bars_a_line)
    pages = at(larger)
    if len(pages) > 1 and larger > 1:
        pages = at(1.0)
    if 1 < len(pages) <= _FEW_PAGES:  # a page less to turn is worth slightly smaller type
        for smaller in _SMALLER:
            fewer = at(smaller)
            if len(fewer) < len(pages):
                return fewer
    return pages


def _as_read(chart: Chart, written_for: str | None, capo: int | None) -> tuple[Chart, str]:
    """Transpose a chart for its reader; return it with a line that says so."""
    if written_for is not None and capo is not None:
        raise OptionError("a sheet is for an instrument or for a capo: give one of the two")
    sounding = real_accidentals(f"{chart.key.tonic} {chart.key.mode}")
    if written_for is not None:
        reader = written_for.lower()
        if reader not in READERS:
            raise OptionError(f"no instrument in {written_for!r}: use {', '.join(_READER_NAMES)}")
        if reader == "c":
            return chart, ""
        target = written_key(chart.key, reader)
        text = f"for instruments in {_READER_NAMES[reader]} (sounds in {sounding})"
        return transpose_chart(chart, target), text
    if capo:
        if not 1 <= capo <= 11:
            raise OptionError(f"a capo sits at fret 1 to 11, got {capo}")
        text = f"capo {capo}: shapes to finger (sounds in {sounding})"
        return transpose_chart(chart, capo_key(chart.key, capo)), text
    return chart, ""


def _zoom(cells: tuple[Cell, ...], size: tuple[float, float], bars_a_line: int) -> float:
    """Return how much larger a short chart is printed without breaking its lines elsewhere."""

    def breaks(zoom: float) -> list[int]:
        lines = arrange_lines(cells, size[0] / zoom - 2 * _SIDE, bars_a_line)
        return [len(line.cells) for line in lines]

    natural = breaks(1.0)
    most_lines = size[1] / 90  # more lines than this fill the page as they are
    if len(natural) > most_lines:
        return 1.0
    return next(zoom for zoom in _ZOOMS if zoom == 1.0 or breaks(zoom) == natural)


def _pages(
    chart: Chart,
    reader: str,
    cells: tuple[Cell, ...],
    size: tuple[float, float],
    bars_a_line: int,
    version: str,
    zoom: float,
) -> list[Drawing]:
    width, height = size[0] / zoom, size[1] / zoom
    inner = width - 2 * _SIDE
    boxes = [line_box(line, inner) for line in arrange_lines(cells, inner, bars_a_line)]
    bottom = height - _FOOT - 18
    first_top = draw_heading(Drawing(width, height), chart, reader, _SIDE, _TOP, inner)
    other_top = draw_running_head(Drawing(width, height), chart, _SIDE, _TOP, inner)
    legend = 16.0 if has_legend(cells) else 0.0
    needed = [box.height + _GAP_LEAST + _extra(box) for box in boxes]
    if legend:
        needed[-1] += legend
    shares = split_pages(needed, bottom - first_top, bottom - other_top)
    footer = Footer(version, chart.sha256, len(shares))
    description = _description(chart)
    pages = []
    index = 0
    for number, (start, stop) in enumerate(shares, 1):
        page = Drawing(width, height, clean(chart.title) or "Untitled", description, zoom=zoom)
        if number == 1:
            top = draw_heading(page, chart, reader, _SIDE, _TOP, inner)
        else:
            top = draw_running_head(page, chart, _SIDE, _TOP, inner)
        last = number == len(shares)
        room = bottom - top - (legend if last else 0.0)
        index = _draw_lines(page, boxes[start:stop], top, room, last, index)
        if last and legend:
            draw_legend(page, cells, _SIDE, bottom + 2)
        draw_footer(page, footer, number, _SIDE, height - _FOOT, inner)
        pages.append(page)
    return pages


def _draw_lines(
    page: Drawing, boxes: list[LineBox], top: float, room: float, last: bool, index: int
) -> int:
    """Draw the lines of a page with even gaps; a full page reaches down to its foot."""
    used = sum(box.height + _extra(box) for box in boxes)
    gap = (room - used) / len(boxes)
    gap = min(gap, _GAP_WANTED if last else _GAP_MOST)
    y = top
    for box in boxes:
        y += _extra(box)
        draw_line(page, box, _SIDE, y, index)
        index += len(box.line.cells)
        y += box.height + gap
    return index


def _extra(box: LineBox) -> float:
    return _SECTION_GAP if box.line.starts_section else 0.0


def _description(chart: Chart) -> str:
    """Say the chart in words, for those who cannot see the page."""
    from generator.chart.model import ChordItem

    parts = []
    for section in chart.sections:
        symbols = [
            item.chord.symbol for bar in section.bars for item in bar.items
            if isinstance(item, ChordItem)
        ]  # fmt: skip
        parts.append(f"{clean(section.name) or 'Start'}: {' '.join(symbols)}")
    text = f"Chord chart in {chart.key.name}, {chart.meter}. " + "; ".join(parts)
    return text if len(text) <= 2000 else text[:1997] + "..."
