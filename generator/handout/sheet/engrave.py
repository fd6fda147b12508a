"""Draw one line of bars: bar lines, chords, signs, brackets, and the rows above and below."""

from fractions import Fraction

from generator.handout.drawing.chord_symbol import draw_chord
from generator.handout.drawing.fonts import SANS, SERIF_BOLD, SERIF_ITALIC, advance, figures
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.signs import draw_note, draw_rest, draw_sign, draw_tie
from generator.handout.sheet.cells import (
    CHORD_PT,
    GAP_PT,
    METER_PT,
    NO_CHORD_PT,
    REST_PT,
    ROMAN_PT,
    SLASH_PT,
    TONES_PT,
    Element,
    meter_width,
)
from generator.handout.sheet.layout import Line, PlacedCell
from generator.handout.sheet.rules import (
    BAR_PT,
    ENDING_ROW,
    THIN,
    draw_bracket,
    draw_left,
    draw_right,
)
from generator.handout.sheet.words import (
    PlacedWord,
    chord_span,
    draw_word,
    place_above,
    place_below,
    row_count,
)
from generator.record import record

__all__ = ["LineBox", "draw_line", "draw_push", "line_box"]

_BASELINE = 24.0  # of the chords, below the top of the bar lines
_SIGN_ROW = 13.0
_WORD_ROW = 19.5
_ROMAN_ROW = 14.5
_TONES_ROW = 9.5
_DYNAMIC_ROW = 16.0
_QUIET = "#55555c"


@record
class LineBox:
    """A line with the heights of its parts, in points, and its words in place."""

    line: Line
    above: tuple[PlacedWord, ...]
    below: tuple[PlacedWord, ...]
    words_pt: float
    endings_pt: float
    signs_pt: float
    roman_pt: float
    tones_pt: float
    dynamics_pt: float

    @property
    def bar_top(self) -> float:
        """Top of the bar lines, below the top of the line."""
        return self.words_pt + self.endings_pt + self.signs_pt

    @property
    def height(self) -> float:
        """Height of the line, without a gap to the next."""
        return self.bar_top + BAR_PT + self.roman_pt + self.tones_pt + self.dynamics_pt


def line_box(line: Line, width_pt: float) -> LineBox:
    """Measure a line."""
    above = place_above(line, width_pt)
    below = place_below(line, width_pt)
    cells = [placed.cell for placed in line.cells]
    elements = [element for cell in cells for element in cell.elements]
    signs = any(e.articulation or e.push_quarters or e.bars_back > 1 for e in elements)
    signs = signs or any(cell.close == "repeat" and cell.times != 2 for cell in cells)
    rows = max((len(e.tones) for e in elements), default=0)
    return LineBox(
        line=line,
        above=above,
        below=below,
        words_pt=_WORD_ROW * row_count(above),
        endings_pt=ENDING_ROW if any(cell.ending for cell in cells) else 0.0,
        signs_pt=_SIGN_ROW if signs else 0.0,
        roman_pt=_ROMAN_ROW if any(e.roman for e in elements) else 0.0,
        tones_pt=_TONES_ROW * rows + 2 if rows else 0.0,
        dynamics_pt=_DYNAMIC_ROW * row_count(below),
    )


def draw_line(page: Drawing, box: LineBox, x0: float, y0: float, first_index: int) -> None:
    """Draw a line; `x0` is the left margin, `y0` its top, `first_index` counts the bars before."""
    for word in box.above:
        y = y0 + box.words_pt - _WORD_ROW * word.row - 6.5
        draw_word(page, word, x0, y)
    top = y0 + box.bar_top
    _draw_number(page, box.line, x0, top)
    for i, placed in enumerate(box.line.cells):
        draw_bracket(page, box.line.cells, i, x0, top - box.signs_pt - box.endings_pt)
        before = box.line.cells[i - 1].cell if i else None
        draw_left(page, placed, before, x0, top)
        _draw_meter(page, placed, x0, top)
        _draw_elements(page, box, placed, x0, top, first_index + i)
        last = i + 1 == len(box.line.cells)
        draw_right(page, placed, None if last else box.line.cells[i + 1].cell, x0, top)
    y = y0 + box.height - box.dynamics_pt
    for word in box.below:
        draw_word(page, word, x0, y + 12.0 + _DYNAMIC_ROW * word.row)


def _draw_number(page: Drawing, line: Line, x0: float, top: float) -> None:
    first = next((p for p in line.cells if not p.cell.is_pickup), line.cells[0])
    if first.cell.number > 1:
        page.text(
            x0 + first.x - 4, top + 7, str(first.cell.number), SANS, 6.5,
            color=_QUIET, anchor="right",
        )  # fmt: skip


def _draw_meter(page: Drawing, placed: PlacedCell, x0: float, top: float) -> None:
    cell = placed.cell
    if cell.meter is None:
        return
    left = x0 + placed.x + 6.0 + (9.0 if cell.opens else 0.0)
    _stacked(page, str(cell.meter.numerator), str(cell.meter.denominator),
             left + meter_width(cell.meter) / 2, top, 1.0)  # fmt: skip


def _stacked(
    page: Drawing, upper: str, lower: str, centre: float, top: float, scale: float
) -> None:
    size = METER_PT * scale
    middle = top + BAR_PT / 2
    # As outlines, like the other signs: as text they would run into the first chord.
    for text, y in ((upper, middle - 1.2), (lower, middle + size * 0.66 + 1.2)):
        page.fill(figures(text, SERIF_BOLD, size).placed(centre, y))


def _draw_elements(
    page: Drawing, box: LineBox, placed: PlacedCell, x0: float, top: float, index: int
) -> None:
    scale = placed.scale
    for number, (x, element) in enumerate(
        zip(_positions(placed), placed.cell.elements, strict=True)
    ):
        name = f"bar-{index + 1}-{element.kind}-{number + 1}"
        _draw_element(page, element, x0 + x, top, scale, name)
        _draw_signs(page, element, x0 + x, top, scale)
        y = top + BAR_PT
        if element.roman:
            size = ROMAN_PT * min(1.0, scale * 1.1)
            page.text(x0 + x, y + 10.5, element.roman, SERIF_ITALIC, size, color=_QUIET)
        for row, tones in enumerate(element.tones):
            page.text(
                x0 + x, y + box.roman_pt + 8.5 + row * _TONES_ROW, tones, SANS,
                TONES_PT * min(1.0, scale), color=_QUIET,
            )  # fmt: skip


def _positions(placed: PlacedCell) -> list[float]:
    """Return the left end of each element: where its beat lies, or evenly apart in a full bar."""
    left, right = chord_span(placed)
    elements, scale = placed.cell.elements, placed.scale
    if len(elements) == 1 and elements[0].kind == "simile":
        return [(left + right - elements[0].width_pt) / 2]
    widths = [element.width_pt * scale for element in elements]
    places = [left + element.share * (right - left) for element in elements]
    ends = [x + width + GAP_PT * scale for x, width in zip(places, widths, strict=True)]
    if all(end <= x for end, x in zip(ends, places[1:], strict=False)) and (
        not places or places[-1] + widths[-1] <= right
    ):
        return places
    gaps = max(1.0, len(elements) - 0.4)  # a little room stays behind the last one
    gap = max(GAP_PT * scale, (right - left - sum(widths)) / gaps)
    places, x = [], left
    for width in widths:
        places.append(x)
        x += width + gap
    over = x - gap - right
    if over > 0:  # as close as the least gap allows, the last one at the right
        step = over / max(1, len(places) - 1)
        places = [x - i * step for i, x in enumerate(places)]
    return places


def _draw_element(
    page: Drawing, element: Element, x: float, top: float, scale: float, name: str
) -> None:
    baseline = top + _BASELINE
    middle = top + BAR_PT / 2
    if element.kind == "chord":
        draw_chord(page, element.pieces, x, baseline, CHORD_PT * scale, name=name)
    elif element.kind == "no-chord":
        page.text(x, baseline, "N.C.", SERIF_BOLD, NO_CHORD_PT * scale, name=name)
    elif element.kind == "slash":
        draw_sign(page, "slash", x + 5.5 * scale, middle, SLASH_PT * scale, name=name)
    elif element.kind == "rest":
        draw_rest(page, element.quarters, x + 5.0 * scale, middle, REST_PT * scale, name=name)
    elif element.kind == "meter" and element.meter is not None:
        _stacked(
            page, str(element.meter.numerator), str(element.meter.denominator),
            x + element.width_pt * scale / 2, top, scale,
        )  # fmt: skip
        page.line(x - 3, top, x - 3, top + BAR_PT, THIN, dashes=(2.0, 2.0))
    else:
        kind = "simile" if element.bars_back == 1 else "simile-2"
        draw_sign(page, kind, x + element.width_pt / 2, middle, 19.0, name=name)
        if element.bars_back > 1:
            width = advance("2", SERIF_BOLD, 10.5)
            page.text(x + (element.width_pt - width) / 2, top - 3, "2", SERIF_BOLD, 10.5)


def _draw_signs(page: Drawing, element: Element, x: float, top: float, scale: float) -> None:
    """Draw what stands right above a chord: a push before it, a hit, ring or fermata over it."""
    y = top - 4.0
    centre = x + 8.0 * scale
    if element.push_quarters:
        draw_push(page, element.push_quarters, centre - 3, y + 1)
        centre += 12.0
    if element.articulation == "hit":
        draw_sign(page, "hit", centre, y, 9.5)
    elif element.articulation == "ring":
        draw_sign(page, "ring", centre, y, 11.0)
    elif element.articulation == "fermata":
        draw_sign(page, "fermata", centre, y - 2.5, 15.0)


def draw_push(page: Drawing, push_quarters: Fraction, x: float, y: float) -> None:
    """Draw the mark of an early chord: the note of its lead, tied to the beat at `x`."""
    draw_note(page, push_quarters, x - 13.0, y, 11.0)
    draw_tie(page, x - 9.5, x + 5.0, y + 1.4, -3.2)
