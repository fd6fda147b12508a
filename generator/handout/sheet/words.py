"""What stands above and below the bars: rehearsal letters, jumps, tempo words, dynamics."""

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from generator.chart.words import number_text
from generator.handout.drawing.chord_symbol import real_accidentals
from generator.handout.drawing.fonts import (
    SANS_BOLD,
    SERIF,
    SERIF_BOLD,
    SERIF_BOLD_ITALIC,
    SERIF_ITALIC,
    Face,
    advance,
    clean,
    fitting_size,
)
from generator.handout.drawing.marks import Drawing
from generator.handout.drawing.paths import rectangle
from generator.handout.drawing.signs import SIGNS, draw_note, draw_sign, note_width
from generator.handout.sheet.cells import Mark
from generator.handout.sheet.layout import Line, PlacedCell, spread
from generator.record import record

__all__ = ["PlacedWord", "chord_span", "draw_word", "place_above", "place_below", "row_count"]

LABEL_PT = 11.0
WORD_PT = 11.5
DYNAMIC_PT = 14.0
SIGN_PT = 15.0
_BOX_PAD = 4.5
_GAP = 7.0

WordKind = Literal["label", "text", "tempo", "sign", "sign-left", "sign-right"]


@record
class PlacedWord:
    """A word or sign in a row; row 0 is the one nearest to the bars. `x` is its left end."""

    kind: WordKind
    text: str
    face: Face
    size_pt: float
    x: float
    width: float
    row: int = 0
    sign: str = ""
    unit_quarters: Fraction = Fraction(1)


def place_above(line: Line, line_width: float) -> tuple[PlacedWord, ...]:
    """Place what stands above a line so that nothing overlaps."""
    words = [
        _above(placed, mark, line_width) for placed in line.cells for mark in placed.cell.above
    ]
    return _in_rows(words, line_width)


def place_below(line: Line, line_width: float) -> tuple[PlacedWord, ...]:
    """Place dynamics below a line so that nothing overlaps."""
    words = [_below(placed, mark) for placed in line.cells for mark in placed.cell.below]
    return _in_rows(words, line_width)


def row_count(words: Sequence[PlacedWord]) -> int:
    """Return how many rows some words take."""
    return max((word.row + 1 for word in words), default=0)


def draw_word(page: Drawing, word: PlacedWord, x0: float, y: float) -> None:
    """Draw a word on a baseline; `x0` is the left margin."""
    x = x0 + word.x
    middle = y - 0.33 * WORD_PT
    if word.kind == "label":
        height = LABEL_PT + 5
        inner = word.width - (SIGN_PT + 3 if word.sign else 0.0)
        if word.sign:
            draw_sign(page, word.sign, x + SIGN_PT / 2, middle, SIGN_PT)
            x += SIGN_PT + 3
        box = rectangle(x, y - height + 3.5, inner, height, 2.5)
        page.stroke(box, 1.1, name="")
        page.text(x + _BOX_PAD, y, word.text, word.face, word.size_pt)
    elif word.kind == "tempo":
        end = draw_note(page, word.unit_quarters, x, y, WORD_PT * 1.05)
        page.text(end, y, word.text, word.face, word.size_pt)
    elif word.kind == "sign":
        draw_sign(page, word.sign, x + word.width / 2, middle, SIGN_PT)
    elif word.kind == "sign-left":
        draw_sign(page, word.sign, x + SIGN_PT / 2, middle, SIGN_PT)
        page.text(x + SIGN_PT + 3, y, word.text, word.face, word.size_pt)
    elif word.kind == "sign-right":
        end = page.text(x, y, word.text, word.face, word.size_pt)
        draw_sign(page, word.sign, end + 3 + SIGN_PT / 2, middle, SIGN_PT)
    else:
        page.text(x, y, word.text, word.face, word.size_pt)


def _text(text: str, face: Face, size_pt: float, x: float) -> PlacedWord:
    return PlacedWord("text", text, face, size_pt, x, advance(text, face, size_pt))


def _above(placed: PlacedCell, mark: Mark, line_width: float) -> PlacedWord:
    x = _x_of(placed, mark.share)
    right = placed.x + placed.width
    direction = mark.direction
    if direction is None and mark.label:
        return _label(mark.label, placed.x, line_width)
    if direction is None:
        return _text(mark.dynamic, SERIF, 9.5, x)
    kind, text = direction.kind, direction.text
    if kind == "segno":
        width = SIGN_PT * SIGNS["segno"].width
        return PlacedWord("sign", "", SERIF, WORD_PT, placed.x, width, sign="segno")
    if kind == "coda":
        width = SIGN_PT + 3 + advance("Coda", SERIF_BOLD_ITALIC, WORD_PT)
        return PlacedWord(
            "sign-left", "Coda", SERIF_BOLD_ITALIC, WORD_PT, placed.x, width, sign="coda"
        )
    if kind == "to-coda":
        width = SIGN_PT + 3 + advance(text, SERIF_BOLD_ITALIC, WORD_PT)
        return PlacedWord(
            "sign-right", text, SERIF_BOLD_ITALIC, WORD_PT, right - width, width, sign="coda"
        )
    if kind in ("jump", "fine"):
        width = advance(text, SERIF_BOLD_ITALIC, WORD_PT)
        return _text(text, SERIF_BOLD_ITALIC, WORD_PT, right - width)
    if kind == "tempo" and direction.tempo is not None:
        unit = direction.tempo.unit_quarters
        shown = f" = {number_text(direction.tempo.count)}"
        width = note_width(unit, WORD_PT * 1.05) + advance(shown, SERIF_BOLD, WORD_PT)
        return PlacedWord("tempo", shown, SERIF_BOLD, WORD_PT, x, width, unit_quarters=unit)
    if kind == "key":
        return _text(real_accidentals(text), SERIF_BOLD, WORD_PT, x)
    return _text(text, SERIF_ITALIC, WORD_PT, x)


def _below(placed: PlacedCell, mark: Mark) -> PlacedWord:
    words = mark.direction is not None and mark.direction.kind in ("cresc", "dim")
    face, size = (SERIF_ITALIC, WORD_PT) if words else (SERIF_BOLD_ITALIC, DYNAMIC_PT)
    return _text(mark.dynamic, face, size, _x_of(placed, mark.share))


def _label(name: str, x: float, line_width: float) -> PlacedWord:
    text = clean(name)
    is_coda = text.rstrip("0123456789 ").lower() == "coda"
    size = fitting_size(text, SANS_BOLD, LABEL_PT, line_width - x - 2 * _BOX_PAD - 20)
    width = advance(text, SANS_BOLD, size) + 2 * _BOX_PAD + (SIGN_PT + 3 if is_coda else 0)
    return PlacedWord("label", text, SANS_BOLD, size, x, width, sign="coda" if is_coda else "")


def _x_of(placed: PlacedCell, share: float) -> float:
    """Return where a moment of the bar lies, from the left margin."""
    left, right = chord_span(placed)
    return left + share * (right - left)


def chord_span(placed: PlacedCell) -> tuple[float, float]:
    """Return the stretch of a cell in which chords stand, from the left margin."""
    cell = placed.cell
    left = placed.x + cell.fixed_pt - cell.right_pt
    return left, placed.x + placed.width - cell.right_pt


def _in_rows(words: list[PlacedWord], line_width: float) -> tuple[PlacedWord, ...]:
    """Keep words on the line, then stack those that would overlap."""
    inside = [replace(w, x=max(0.0, min(w.x, line_width - w.width))) for w in words]
    pushed: list[PlacedWord] = []
    for word in sorted(inside, key=lambda word: word.x):
        # A word that starts at the same place as the one before moves behind it if there is room.
        before = pushed[-1] if pushed else None
        if before and word.x < before.x + before.width + _GAP:
            moved = before.x + before.width + _GAP
            if moved - word.x < 110 and moved + word.width <= line_width:
                word = replace(word, x=moved)
        pushed.append(word)
    pushed.sort(key=lambda word: word.x)
    rows = spread([(word.x, word.x + word.width) for word in pushed], _GAP - 0.5)
    return tuple(replace(word, row=row) for word, row in zip(pushed, rows, strict=True))
