"""Outlines as short texts, in the path language of SVG (absolute M, L, Q, C and Z only)."""

from functools import cache

from generator.record import record

__all__ = ["Outline", "circle", "ellipse", "outline", "polygon", "rectangle"]

MOVE, LINE, QUADRATIC, CUBIC, CLOSE = 1, 2, 3, 4, 79
"""Codes of a vertex, as matplotlib numbers them (`matplotlib.path.Path`)."""

_CODES = {"M": (MOVE, 1), "L": (LINE, 1), "Q": (QUADRATIC, 2), "C": (CUBIC, 3), "Z": (CLOSE, 0)}
_ROUND = 0.5522847498  # control points of a quarter circle: 4 (sqrt(2) - 1) / 3


@record
class Outline:
    """Vertices (x to the right, y downwards) and their codes, of the same length."""

    vertices: tuple[tuple[float, float], ...]
    codes: tuple[int, ...]

    def placed(self, x: float, y: float, scale_x: float = 1.0, scale_y: float = 0.0) -> "Outline":
        """Return a copy scaled about its origin, then moved; `scale_y` 0 means as `scale_x`."""
        sy = scale_y or scale_x
        moved = tuple((x + px * scale_x, y + py * sy) for px, py in self.vertices)
        return Outline(moved, self.codes)

    def __add__(self, other: "Outline") -> "Outline":
        return Outline(self.vertices + other.vertices, self.codes + other.codes)


@cache
def outline(text: str) -> Outline:
    """Read an outline.

    >>> outline("M 0 0 L 1 0 Z").codes
    (1, 2, 79)
    """
    vertices: list[tuple[float, float]] = []
    codes: list[int] = []
    tokens = iter(text.split())
    for token in tokens:
        code, count = _CODES[token]
        for _ in range(count):
            vertices.append((float(next(tokens)), float(next(tokens))))
            codes.append(code)
        if code == CLOSE:
            vertices.append((0.0, 0.0))
            codes.append(CLOSE)
    return Outline(tuple(vertices), tuple(codes))


def polygon(*points: tuple[float, float]) -> Outline:
    """Return a closed polygon."""
    codes = (MOVE, *(LINE,) * (len(points) - 1), CLOSE)
    return Outline((*points, (0.0, 0.0)), codes)


def rectangle(x: float, y: float, width: float, height: float, radius: float = 0.0) -> Outline:
    """Return a rectangle from its top left corner, with rounded corners if asked for."""
    right, bottom = x + width, y + height
    r = min(radius, width / 2, height / 2)
    if r <= 0:
        return polygon((x, y), (right, y), (right, bottom), (x, bottom))
    return Outline(
        (
            (x + r, y), (right - r, y), (right, y), (right, y + r),
            (right, bottom - r), (right, bottom), (right - r, bottom),
            (x + r, bottom), (x, bottom), (x, bottom - r), (x, y + r), (x, y), (x + r, y),
            (0.0, 0.0),
        ),
        (
            MOVE, LINE, QUADRATIC, QUADRATIC, LINE, QUADRATIC, QUADRATIC,
            LINE, QUADRATIC, QUADRATIC, LINE, QUADRATIC, QUADRATIC, CLOSE,
        ),
    )  # fmt: skip


def ellipse(x: float, y: float, radius_x: float, radius_y: float) -> Outline:
    """Return an ellipse about its centre, as four cubic curves."""
    a, b = radius_x, radius_y
    ka, kb = a * _ROUND, b * _ROUND
    return Outline(
        (
            (x + a, y), (x + a, y + kb), (x + ka, y + b), (x, y + b),
            (x - ka, y + b), (x - a, y + kb), (x - a, y),
            (x - a, y - kb), (x - ka, y - b), (x, y - b),
            (x + ka, y - b), (x + a, y - kb), (x + a, y), (0.0, 0.0),
        ),
        (MOVE, *(CUBIC,) * 12, CLOSE),
    )  # fmt: skip


def circle(x: float, y: float, radius: float) -> Outline:
    """Return a circle about its centre."""
    return ellipse(x, y, radius, radius)
