"""The head of a sheet, and what stands at the foot of each page."""

from fractions import Fraction

from generator.chart.model import Chart, Feel
from generator.chart.words import number_text
from generator.handout.drawing.chord_symbol import real_accidentals
from generator.handout.drawing.fonts import (
    SANS,
    SERIF,
    SERIF_BOLD,
    SERIF_ITALIC,
    advance,
    clean,
    fitting_size,
)
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.signs import draw_note, draw_sign
from generator.handout.sheet.cells import Cell
from generator.handout.sheet.engrave import draw_push
from generator.record import record

__all__ = [
    "Footer",
    "draw_footer",
    "draw_heading",
    "draw_legend",
    "draw_running_head",
    "feel_text",
    "has_legend",
]

_QUIET = "#55555c"
_TITLE_PT = 27.0
_TITLE_LEAST_PT = 17.0
_LEGEND_PT = 8.0


@record
class Footer:
    """What is the same at the foot of every page."""

    version: str
    chart_sha256: str
    pages: int


def feel_text(feel: Feel | None) -> str:
    """Say how the subdivision is played.

    >>> feel_text(Feel(True, Fraction(1, 4), Fraction(58, 100)))
    'swing sixteenths 58 %'
    """
    if feel is None:
        return ""
    if not feel.swing:
        return "straight"
    unit = {Fraction(1, 2): "", Fraction(1, 4): " sixteenths"}.get(feel.unit_quarters, "")
    share = "" if feel.share is None else f" {number_text(feel.share * 100)} %"
    return f"swing{unit}{share}"


def draw_heading(
    page: Drawing, chart: Chart, reader: str, left: float, top: float, width: float
) -> float:
    """Draw title, composer, key, meter, tempo and feel; return the y below them."""
    title = clean(chart.title) or "Untitled"
    size = max(fitting_size(title, SERIF_BOLD, _TITLE_PT, width), _TITLE_LEAST_PT)
    y = top + 22
    for row in _balanced(title, size, width):
        page.text(left + width / 2, y, row, SERIF_BOLD, size, anchor="middle")
        y += size * 1.1
    y += 12 - size * 1.1
    if reader:
        y += 5
        page.text(left + width / 2, y, reader, SERIF_ITALIC, 11.5, anchor="middle")
        y += 8
    y += 13
    key = real_accidentals(f"{chart.key.tonic} {chart.key.mode}")
    facts = [key, str(chart.meter)]
    page.text(left, y, "   ".join(facts), SERIF, 11.5)
    composer = clean(chart.composer)
    if composer:
        size = max(fitting_size(composer, SERIF_ITALIC, 12, width * 0.6), 6.0)
        page.text(left + width, y, composer, SERIF_ITALIC, size, anchor="right")
    y += 19
    x = draw_note(page, chart.tempo.unit_quarters, left, y, 12)
    x = page.text(x, y, f" = {number_text(chart.tempo.count)}", SERIF_BOLD, 11.5)
    style = clean(chart.style or "").replace("-", " ")
    words = [word for word in (feel_text(chart.feel), style) if word]
    if words:
        page.text(x + 10, y, ", ".join(words), SERIF_ITALIC, 11.5)
    order = _order(chart)
    if order:
        size = max(fitting_size(order, SERIF_ITALIC, 11.5, width * 0.55), 6.0)
        page.text(left + width, y, order, SERIF_ITALIC, size, anchor="right")
    return y + 16


def draw_running_head(page: Drawing, chart: Chart, left: float, top: float, width: float) -> float:
    """Draw the title small, for pages after the first; return the y below it."""
    title = clean(chart.title) or "Untitled"
    size = max(fitting_size(title, SERIF_BOLD, 12, width), 5.0)
    page.text(left, top + 8, title, SERIF_BOLD, size)
    return top + 24


def draw_footer(
    page: Drawing, footer: Footer, number: int, left: float, y: float, width: float
) -> None:
    """Draw the line that ties a page to the track made from the same chart."""
    page.line(left, y - 10, left + width, y - 10, 0.4, _QUIET)
    made = f"chartbed {footer.version}"
    if footer.chart_sha256:
        made += f" · chart sha256 {footer.chart_sha256[:12]}"
    page.text(left, y, made, SANS, 6.5, color=_QUIET)
    page.text(
        left + width, y, f"page {number} of {footer.pages}", SANS, 6.5,
        color=_QUIET, anchor="right",
    )  # fmt: skip


def draw_legend(page: Drawing, cells: tuple[Cell, ...], left: float, y: float) -> None:
    """Explain, in one line, those signs of the sheet that not every player has met."""
    elements = [element for cell in cells for element in cell.elements]
    x = left

    def say(text: str) -> float:
        return page.text(x, y, text, SERIF_ITALIC, _LEGEND_PT + 1, color=_QUIET) + 16

    for push, text in ((Fraction(1, 2), "an eighth early"), (Fraction(1, 4), "a sixteenth early")):
        if any(element.push_quarters == push for element in elements):
            draw_push(page, push, x + 13, y)
            x += 22
            x = say(text)
    for sign, text, size in (
        ("hit", "hit, then silence", 8.0),
        ("ring", "let ring, the band holds", 9.0),
    ):
        if any(element.articulation == sign for element in elements):
            draw_sign(page, sign, x + 4, y - 2.5, size)
            x += 12
            x = say(text)


def has_legend(cells: tuple[Cell, ...]) -> bool:
    """Whether `draw_legend` has something to say."""
    return any(
        element.push_quarters or element.articulation in ("hit", "ring")
        for cell in cells
        for element in cell.elements
    )


def _order(chart: Chart) -> str:
    if chart.form:
        return "Form: " + " ".join(clean(name) for name in chart.form)
    return f"{chart.choruses} choruses" if chart.choruses > 1 else ""


def _balanced(text: str, size_pt: float, width_pt: float) -> list[str]:
    """Break a title into as few rows as it needs, of about the same length."""
    rows = _wrapped(text, size_pt, width_pt)
    narrower = width_pt
    while len(rows) > 1 and narrower > width_pt / 2:
        narrower -= 10
        closer = _wrapped(text, size_pt, narrower)
        if len(closer) > len(rows):
            break
        rows = closer
    return rows


def _wrapped(text: str, size_pt: float, width_pt: float) -> list[str]:
    """Break a title that is too long even in small type; a word longer than a row is cut."""
    rows = [""]
    for word in text.split():
        while advance(word, SERIF_BOLD, size_pt) > width_pt:
            keep = len(word)
            while advance(word[:keep], SERIF_BOLD, size_pt) > width_pt:
                keep -= 1
            rows.append(word[:keep])
            word = word[keep:]
        joined = f"{rows[-1]} {word}".strip()
        if advance(joined, SERIF_BOLD, size_pt) <= width_pt:
            rows[-1] = joined
        else:
            rows.append(word)
    return [row for row in rows if row]
