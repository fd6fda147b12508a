"""Cells into lines, lines into pages: a grid of columns, and no bar is ever split.

A line has `columns` columns of equal width. A crowded bar is set a little smaller, and takes a
second column when that is not enough. A section starts a line; a second ending stands below the
first one; a pickup stands before the grid of its line.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from generator.handout.sheet.cells import Cell
from generator.record import record

__all__ = ["Line", "PlacedCell", "arrange_lines", "split_pages", "spread"]

_TIGHTEST = 0.84
"""A bar shrinks to this before it takes another column."""

_PICKUP_SHARE = 0.5
_LEAST_LINES = 3
"""Lines on a last page, if the page before it can spare some."""


@record
class PlacedCell:
    """A cell at its place in a line, in points from the left margin; `scale` sets its type."""

    cell: Cell
    x: float
    width: float
    scale: float


@record
class Line:
    """The bars of one line; `starts_section` asks for more room above."""

    cells: tuple[PlacedCell, ...]
    starts_section: bool


@dataclass(slots=True)
class _Row:
    """A line while it fills: cells with the columns that each takes, after an indent."""

    cells: list[tuple[Cell, int]]
    indent: int = 0
    full: bool = False

    @property
    def used(self) -> int:
        return self.indent + sum(span for _, span in self.cells)


def arrange_lines(cells: Sequence[Cell], width_pt: float, columns: int) -> tuple[Line, ...]:
    """Break cells into lines of a width, in a grid of columns."""
    lines: list[Line] = []
    for stretch in _stretches(cells):
        rows = _fill(stretch, width_pt, columns)
        rows = _without_orphan(rows, width_pt, columns)
        lines.extend(_placed(row, width_pt, columns) for row in rows)
    return tuple(lines)


def split_pages(
    heights: Sequence[float], first_pt: float, other_pt: float
) -> tuple[tuple[int, int], ...]:
    """Share lines out over pages; return (first, after last) of each page.

    Parameters
    ----------
    heights : sequence of float
        Height of each line with the least gap below it, in points.
    first_pt, other_pt : float
        Room on the first page and on each later one.

    A last page of one or two lines takes some from the page before it.

    >>> split_pages([50, 50, 50, 50], 160, 200)
    ((0, 2), (2, 4))
    """
    pages = _greedy(heights, first_pt, other_pt)
    percent = 100
    while len(pages) > 1 and pages[-1][1] - pages[-1][0] < _LEAST_LINES and percent > 50:
        percent -= 2
        shorter = _greedy(heights, first_pt * percent / 100, other_pt * percent / 100)
        if len(shorter) > len(pages):
            break
        pages = shorter
    return pages


def _greedy(
    heights: Sequence[float], first_pt: float, other_pt: float
) -> tuple[tuple[int, int], ...]:
    pages, start, used, room = [], 0, 0.0, first_pt
    for i, height in enumerate(heights):
        if i > start and used + height > room:
            pages.append((start, i))
            start, used, room = i, 0.0, other_pt
        used += height
    pages.append((start, len(heights)))
    return tuple(pages)


def _stretches(cells: Sequence[Cell]) -> list[list[Cell]]:
    """Split where a line must start: at a section (not behind a pickup), after a double bar."""
    stretches: list[list[Cell]] = [[]]
    for cell in cells:
        before = stretches[-1][-1] if stretches[-1] else None
        if before and ((cell.starts_section and not before.is_pickup) or before.breaks_after):
            stretches.append([])
        stretches[-1].append(cell)
    return stretches


def _span(cell: Cell, column_pt: float, columns: int) -> int:
    """Return how many columns a bar takes."""
    needed = cell.fixed_pt + cell.content_pt * _TIGHTEST
    span = 1
    while span < columns and needed > span * column_pt:
        span += 1
    return span


def _fill(stretch: list[Cell], width_pt: float, columns: int) -> list[_Row]:
    pickup = _pickup_width(stretch[0], width_pt, columns)
    rows = [_Row([])]
    first_ending: tuple[int, int] | None = None  # row and column where the first ending starts
    for i, cell in enumerate(stretch):
        if cell.is_pickup and i == 0:
            rows[0].cells.append((cell, 0))
            continue
        room = width_pt - (pickup if len(rows) == 1 else 0.0)
        span = _span(cell, room / columns, columns)
        row = rows[-1]
        if cell.ending and not cell.ending_first and first_ending:
            spans = [_span(other, width_pt / columns, columns) for other in stretch[i:]]
            if row.used + sum(spans[: cell.ending_bars]) > columns:
                # Below the first ending, if all that follows has room there.
                fits = first_ending[1] + sum(spans) <= columns
                below = first_ending[0] == len(rows) - 1 and fits
                rows.append(_Row([], indent=first_ending[1] if below else 0))
        elif row.used + span > columns and row.cells:
            row.full = True
            rows.append(_Row([]))
        row = rows[-1]
        if cell.ending_first:
            first_ending = (len(rows) - 1, row.used)
        row.cells.append((cell, span))
    return rows


def _without_orphan(rows: list[_Row], width_pt: float, columns: int) -> list[_Row]:
    """Take a last bar that would stand alone into the line before, if all of it fits."""
    if len(rows) < 2:
        return rows
    last, before = rows[-1], rows[-2]
    merged = [*before.cells, *last.cells]
    plain = all(span == 1 for _, span in merged)
    if len(last.cells) != 1 or last.indent or before.indent or not plain or columns < 4:
        return rows
    narrow = width_pt / len(merged)
    if any(cell.fixed_pt + cell.content_pt * _TIGHTEST > narrow for cell, _ in merged):
        return rows
    return [*rows[:-2], _Row(merged, full=True)]


def _pickup_width(cell: Cell, width_pt: float, columns: int) -> float:
    if not cell.is_pickup:
        return 0.0
    return max(cell.fixed_pt + cell.content_pt, width_pt / columns * _PICKUP_SHARE)


def _placed(row: _Row, width_pt: float, columns: int) -> Line:
    first = row.cells[0][0]
    pickup = _pickup_width(first, width_pt, columns)
    spans = max(columns, row.used) if not row.full else row.used
    column_pt = (width_pt - pickup) / spans
    x = row.indent * column_pt
    placed = []
    for cell, span in row.cells:
        width = span * column_pt if span else pickup
        room = width - cell.fixed_pt
        scale = min(1.0, room / cell.content_pt) if cell.content_pt else 1.0
        placed.append(PlacedCell(cell, x, width, max(scale, 0.2)))
        x += width
    return Line(tuple(placed), any(cell.starts_section for cell, _ in row.cells))


def spread(items: Sequence[tuple[float, float]], gap_pt: float) -> tuple[int, ...]:
    """Give each stretch (left, right), in order of left, the lowest row in which it is free.

    >>> spread([(0, 10), (5, 20), (12, 30)], 1.0)
    (0, 1, 0)
    """
    ends: list[float] = []
    rows = []
    for left, right in items:
        row = next((i for i, end in enumerate(ends) if end + gap_pt <= left), len(ends))
        if row == len(ends):
            ends.append(right)
        else:
            ends[row] = right
        rows.append(row)
    return tuple(rows)
