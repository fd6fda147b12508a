"""A drawing as a list of marks: what is drawn, where, in the order in which it is read.

Places are in points (1/72 inch) from the top left corner, y downwards. A mark may carry a `name`;
in an SVG it becomes the `id` of a group, so that a reader of the file can find and count it.
"""

from dataclasses import dataclass, field
from typing import Literal

from generator.handout.drawing.fonts import Face, advance, runs
from generator.handout.drawing.paths import LINE, MOVE, Outline
from generator.record import record

__all__ = ["INK", "Anchor", "Drawing", "PathMark", "TextMark"]

INK = "#16161a"
Anchor = Literal["left", "middle", "right"]


@record
class TextMark:
    """Text from its left end on a baseline, all in one font file."""

    x: float
    y: float
    text: str
    font_path: str
    size_pt: float
    color: str
    name: str = ""


@record
class PathMark:
    """An outline, filled with `fill` and drawn around with `stroke`; either may be empty."""

    outline: Outline
    fill: str = ""
    stroke: str = ""
    width_pt: float = 1.0
    alpha: float = 1.0
    dashes: tuple[float, ...] = ()
    name: str = ""


@dataclass(slots=True)
class Drawing:
    """A page that takes marks.

    `title` and `description` go into the file for those who cannot see it. Everything, the page
    itself included, comes out `zoom` times as large.
    """

    width_pt: float
    height_pt: float
    title: str = ""
    description: str = ""
    paper: str = "#ffffff"
    zoom: float = 1.0
    marks: list[TextMark | PathMark] = field(default_factory=list)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        face: Face,
        size_pt: float,
        *,
        color: str = INK,
        anchor: Anchor = "left",
        name: str = "",
    ) -> float:
        """Write text on a baseline; return the x at which it ends."""
        width = advance(text, face, size_pt)
        x -= {"left": 0.0, "middle": width / 2, "right": width}[anchor]
        for run in runs(text, face):
            if run.text.strip():
                self.marks.append(TextMark(x, y, run.text, run.path, size_pt, color, name))
                name = ""
            x += advance(run.text, face, size_pt)
        return x

    def fill(self, shape: Outline, color: str = INK, *, alpha: float = 1.0, name: str = "") -> None:
        """Fill an outline."""
        self.marks.append(PathMark(shape, fill=color, alpha=alpha, name=name))

    def stroke(
        self,
        shape: Outline,
        width_pt: float = 1.0,
        color: str = INK,
        *,
        alpha: float = 1.0,
        dashes: tuple[float, ...] = (),
        name: str = "",
    ) -> None:
        """Draw along an outline."""
        self.marks.append(
            PathMark(shape, stroke=color, width_pt=width_pt, alpha=alpha, dashes=dashes, name=name)
        )

    def shape(
        self, shape: Outline, *, fill: str, stroke: str, width_pt: float = 1.0, name: str = ""
    ) -> None:
        """Fill an outline and draw around it."""
        self.marks.append(PathMark(shape, fill=fill, stroke=stroke, width_pt=width_pt, name=name))

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        width_pt: float = 1.0,
        color: str = INK,
        *,
        alpha: float = 1.0,
        dashes: tuple[float, ...] = (),
        name: str = "",
    ) -> None:
        """Draw a straight line."""
        shape = Outline(((x0, y0), (x1, y1)), (MOVE, LINE))
        self.stroke(shape, width_pt, color, alpha=alpha, dashes=dashes, name=name)
