"""Draw what stands between bars: bar lines, repeat signs, and the brackets of endings."""

from generator.handout.drawing.fonts import SERIF_BOLD
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.paths import circle, rectangle
from generator.handout.sheet.cells import Cell
from generator.handout.sheet.layout import PlacedCell

__all__ = ["BAR_PT", "ENDING_ROW", "THIN", "draw_bracket", "draw_left", "draw_right"]

BAR_PT = 34.0
"""Height of the bar lines."""

ENDING_ROW = 14.0
"""Height of the row of brackets above them."""

THIN, _THICK = 0.8, 3.2


def draw_bracket(
    page: Drawing, cells: tuple[PlacedCell, ...], i: int, x0: float, top: float
) -> None:
    """Draw the part of an ending's bracket that lies over bar `i`."""
    placed = cells[i]
    y = top + 3.0
    start, count = _ending_over(cells, i)
    if start is None:
        return
    left, right = x0 + placed.x, x0 + placed.x + placed.width
    if start == i:
        left += 1.5
        page.line(left, y, left, y + ENDING_ROW - 4, 0.9)
        page.text(left + 4, y + 9.5, placed.cell.ending, SERIF_BOLD, 10)
    owner = cells[start].cell
    if i - start + 1 == count:
        right -= 3.0
        if owner.ending_closes:
            page.line(right, y, right, y + ENDING_ROW - 4, 0.9)
    page.line(left, y, right, y, 0.9)


def _ending_over(cells: tuple[PlacedCell, ...], i: int) -> tuple[int | None, int]:
    """Return where in this line the ending over bar `i` starts, and how many bars it spans."""
    for start in range(i, -1, -1):
        cell = cells[start].cell
        if cell.ending:
            inside = i - start < cell.ending_bars
            return (start, cell.ending_bars) if inside else (None, 0)
    return None, 0


def draw_left(
    page: Drawing, placed: PlacedCell, before: Cell | None, x0: float, top: float
) -> None:
    """Draw the opening of a bar: the bar line at the start of a line, and the repeat sign."""
    x = x0 + placed.x
    if placed.cell.opens:
        if before is None or before.close != "repeat":
            _vertical(page, x + _THICK / 2, top, _THICK)
        _vertical(page, x + _THICK + 2.4, top, THIN)
        _dots(page, x + _THICK + 6.2, top)
    elif before is None:
        _vertical(page, x, top, THIN)


def draw_right(
    page: Drawing, placed: PlacedCell, following: Cell | None, x0: float, top: float
) -> None:
    """Draw the closing of a bar: its bar line, and how often a repeat is played if not twice."""
    x = x0 + placed.x + placed.width
    close = placed.cell.close
    if close == "repeat":
        _dots(page, x - _THICK - 6.2, top)
        _vertical(page, x - _THICK - 2.4, top, THIN)
        _vertical(page, x - _THICK / 2, top, _THICK)
        if placed.cell.times != 2:
            text = f"×{placed.cell.times}"
            page.text(x, top - 4, text, SERIF_BOLD, 10.5, anchor="right")
    elif close == "final":
        _vertical(page, x - _THICK - 2.4, top, THIN)
        _vertical(page, x - _THICK / 2, top, _THICK)
    elif following is not None and following.opens:
        return  # the repeat sign is the bar line
    elif close == "double":
        _vertical(page, x - 2.6, top, THIN)
        _vertical(page, x, top, THIN)
    else:
        _vertical(page, x, top, THIN)


def _vertical(page: Drawing, x: float, top: float, width: float) -> None:
    page.fill(rectangle(x - width / 2, top, width, BAR_PT))


def _dots(page: Drawing, x: float, top: float) -> None:
    for y in (top + BAR_PT * 0.36, top + BAR_PT * 0.64):
        page.fill(circle(x, y, 1.75))
