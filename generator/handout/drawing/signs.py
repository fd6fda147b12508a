"""Musical signs as outlines of our own, drawn in a unit square about the origin.

A sign is a list of filled outlines and of strokes (outline, width in units). `draw_sign` scales
one to a height in points. The forms are those of common notation (Gould, Behind Bars, 2011, gives
them in words and pictures; drawn here from memory, not traced).
"""

from fractions import Fraction

from generator.handout.drawing.marks import INK, Drawing
from generator.handout.drawing.paths import Outline, circle, ellipse, outline, polygon
from generator.record import record

__all__ = ["SIGNS", "Sign", "draw_note", "draw_rest", "draw_sign", "draw_tie", "note_width"]


@record
class Sign:
    """Filled outlines, strokes with their widths, and the width of the whole, all in units."""

    width: float
    fills: tuple[Outline, ...] = ()
    strokes: tuple[tuple[Outline, float], ...] = ()


def _simile(slashes: int) -> Sign:
    step = 0.32
    first = -step * (slashes - 1) / 2
    bars = tuple(
        polygon((x - 0.42, 0.42), (x - 0.22, 0.42), (x + 0.42, -0.42), (x + 0.22, -0.42))
        for x in (first + step * i for i in range(slashes))
    )
    dots = (circle(first - 0.36, -0.2, 0.105), circle(-first + 0.36, 0.2, 0.105))
    return Sign(0.95 + step * (slashes - 1), fills=bars + dots)


SIGNS: dict[str, Sign] = {
    "segno": Sign(
        0.86,
        fills=(circle(-0.37, 0.1, 0.075), circle(0.37, -0.1, 0.075)),
        strokes=(
            (
                outline(
                    "M 0.27 -0.27 C 0.25 -0.5 -0.3 -0.52 -0.29 -0.22 "
                    "C -0.28 0.04 0.28 -0.04 0.29 0.22 C 0.3 0.52 -0.25 0.5 -0.27 0.27"
                ),
                0.105,
            ),
            (outline("M 0.36 -0.46 L -0.36 0.46"), 0.06),
        ),
    ),
    "coda": Sign(
        0.84,
        strokes=(
            (ellipse(0, 0, 0.25, 0.33), 0.105),
            (outline("M 0 -0.52 L 0 0.52"), 0.06),
            (outline("M -0.42 0 L 0.42 0"), 0.06),
        ),
    ),
    "fermata": Sign(
        1.2,
        fills=(
            outline(
                "M -0.6 0.3 C -0.6 -0.5 0.6 -0.5 0.6 0.3 L 0.55 0.3 "
                "C 0.47 -0.26 -0.47 -0.26 -0.55 0.3 Z"
            ),
            circle(0, 0.2, 0.1),
        ),
    ),
    "simile": _simile(1),
    "simile-2": _simile(2),
    "slash": Sign(
        0.72, fills=(polygon((-0.36, 0.42), (-0.16, 0.42), (0.36, -0.42), (0.16, -0.42)),)
    ),
    "hit": Sign(0.7, strokes=((outline("M -0.27 0.36 L 0 -0.4 L 0.27 0.36"), 0.13),)),
    "ring": Sign(0.8, strokes=((polygon((-0.4, 0), (0, -0.33), (0.4, 0), (0, 0.33)), 0.1),)),
}

# Rests, in units of about one staff space; (width, sign)
_QUARTER_REST = Sign(
    0.7,
    fills=(
        outline(
            "M -0.16 -1.42 C 0.0 -1.2 0.24 -0.92 0.3 -0.74 C 0.1 -0.52 0.02 -0.36 0.06 -0.2 "
            "C 0.1 0.0 0.3 0.28 0.42 0.46 C 0.1 0.34 -0.16 0.44 -0.12 0.72 "
            "C -0.1 0.98 0.06 1.16 0.16 1.32 C -0.24 1.08 -0.5 0.76 -0.42 0.5 "
            "C -0.36 0.28 -0.12 0.2 0.1 0.26 C -0.1 0.0 -0.3 -0.24 -0.34 -0.36 "
            "C -0.18 -0.5 -0.02 -0.7 -0.04 -0.88 C -0.06 -1.08 -0.18 -1.28 -0.16 -1.42 Z"
        ),
    ),
)


def _flagged_rest(flags: int) -> Sign:
    """Rest of an eighth (one flag) or shorter (more)."""
    top = -0.75
    bottom = top + 1.0 + 0.62 * flags
    strokes = [(outline(f"M 0.36 {top} L {0.36 - 0.3 * (bottom - top) / 1.6} {bottom}"), 0.12)]
    fills = []
    for flag in range(flags):
        y = top + 0.62 * flag
        shift = -0.3 * 0.62 * flag / 1.6
        fills.append(circle(-0.22 + shift, y + 0.06, 0.2))
        strokes.append(
            (outline(f"M {-0.3 + shift} {y + 0.2} Q {0.1 + shift} {y + 0.5} {0.36 + shift} {y}"),
             0.12)
        )  # fmt: skip
    return Sign(0.8, fills=tuple(fills), strokes=tuple(strokes))


_RESTS: tuple[tuple[Fraction, Sign], ...] = (
    (Fraction(4), Sign(1.1, fills=(outline("M -0.55 -1 L 0.55 -1 L 0.55 -0.5 L -0.55 -0.5 Z"),),
                       strokes=((outline("M -0.85 -1 L 0.85 -1"), 0.1),))),
    (Fraction(2), Sign(1.1, fills=(outline("M -0.55 -0.5 L 0.55 -0.5 L 0.55 0 L -0.55 0 Z"),),
                       strokes=((outline("M -0.85 0 L 0.85 0"), 0.1),))),
    (Fraction(1), _QUARTER_REST),
    (Fraction(1, 2), _flagged_rest(1)),
    (Fraction(1, 4), _flagged_rest(2)),
    (Fraction(1, 8), _flagged_rest(3)),
)  # fmt: skip


def draw_sign(
    page: Drawing, kind: str, x: float, y: float, size_pt: float, *, color: str = INK,
    name: str = "",
) -> None:  # fmt: skip
    """Draw a sign of `SIGNS` about a centre."""
    _draw(page, SIGNS[kind], x, y, size_pt, color, name)


def draw_rest(
    page: Drawing, quarters: Fraction, x: float, y: float, size_pt: float, *, name: str = ""
) -> None:
    """Draw a rest about a centre; `size_pt` is its full height for a quarter rest."""
    space = size_pt / 2.8
    value = next((value for value, _ in _RESTS if value <= quarters), _RESTS[-1][0])
    sign = dict(_RESTS)[value]
    _draw(page, sign, x, y, space, INK, name)
    if quarters >= value * Fraction(3, 2):
        page.fill(circle(x + space * (sign.width / 2 + 0.35), y - space * 0.1, space * 0.17))


def note_width(unit_quarters: Fraction, size_pt: float) -> float:
    """Return how wide `draw_note` draws, in points."""
    _, flags, dotted = _note_parts(unit_quarters)
    return size_pt * (0.42 + (0.2 if flags else 0.0) + (0.24 if dotted and not flags else 0.06))


def draw_note(
    page: Drawing,
    unit_quarters: Fraction,
    x: float,
    y: float,
    size_pt: float,
    *,
    color: str = INK,
) -> float:
    """Draw a note of a metronome mark, stem up, from its left end, its head on a baseline.

    Returns the x at which it ends.
    """
    hollow, flags, dotted = _note_parts(unit_quarters)
    radius_x, radius_y = size_pt * 0.19, size_pt * 0.135
    centre_x, centre_y = x + radius_x, y - radius_y
    # The head leans: an ellipse sheared upwards to the right.
    head = ellipse(0, 0, radius_x, radius_y)
    leaning = Outline(
        tuple((centre_x + px, centre_y + py - 0.32 * px) for px, py in head.vertices), head.codes
    )
    if hollow:
        page.stroke(leaning, size_pt * 0.07, color)
    else:
        page.fill(leaning, color)
    stem_x = x + 2 * radius_x - size_pt * 0.03
    top = y - size_pt * 1.02
    if unit_quarters < 4:
        page.line(stem_x, centre_y - size_pt * 0.05, stem_x, top, size_pt * 0.055, color)
    flag = outline("M 0 0 C 0.02 0.16 0.26 0.2 0.2 0.52 C 0.2 0.34 0.1 0.26 0 0.24 Z")
    for i in range(flags):
        page.fill(flag.placed(stem_x, top + i * size_pt * 0.2, size_pt), color)
    if dotted:
        dot_x = stem_x + size_pt * (0.3 if flags else 0.16)
        page.fill(circle(dot_x, y - size_pt * 0.13, size_pt * 0.06), color)
    return x + note_width(unit_quarters, size_pt)


def draw_tie(page: Drawing, x0: float, x1: float, y: float, height_pt: float) -> None:
    """Draw a tie, open downwards, thick in the middle, between two points on one level."""
    span = x1 - x0
    thick = min(1.1, height_pt * 0.3)
    page.fill(
        Outline(
            (
                (x0, y),
                (x0 + span * 0.25, y - height_pt * 1.33), (x1 - span * 0.25, y - height_pt * 1.33),
                (x1, y),
                (x1 - span * 0.25, y - height_pt * 1.33 + thick * 1.33),
                (x0 + span * 0.25, y - height_pt * 1.33 + thick * 1.33),
                (x0, y),
                (0.0, 0.0),
            ),
            (1, 4, 4, 4, 4, 4, 4, 79),
        )
    )  # fmt: skip


def _note_parts(unit_quarters: Fraction) -> tuple[bool, int, bool]:
    """Return (hollow head, number of flags, dotted)."""
    dotted = unit_quarters.numerator % 3 == 0
    plain = unit_quarters * Fraction(2, 3) if dotted else unit_quarters
    flags, value = 0, Fraction(1, 2)
    while value >= plain and flags < 4:
        flags += 1
        value /= 2
    return plain >= 2, flags, dotted


def _draw(
    page: Drawing, sign: Sign, x: float, y: float, unit_pt: float, color: str, name: str
) -> None:
    for shape in sign.fills:
        page.fill(shape.placed(x, y, unit_pt), color, name=name)
        name = ""  # ids in an SVG are unique
    for shape, width in sign.strokes:
        page.stroke(shape.placed(x, y, unit_pt), width * unit_pt, color, name=name)
        name = ""
