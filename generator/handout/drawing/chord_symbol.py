"""A chord symbol as engravers set it: large root, small raised quality, lowered bass.

The pieces touch, so that a PDF reader sees one word: `B♭m7♭5/A♭`.
"""

import re

from generator.handout.drawing.fonts import SERIF, SERIF_BOLD, Face, advance
from generator.handout.drawing.marks import INK, Anchor, Drawing
from generator.record import record

__all__ = ["Piece", "chord_pieces", "chord_width", "draw_chord", "real_accidentals"]

_ACCIDENTAL = re.compile(r"(?<=[A-G])(b+|#+)|(?<!su)(b|#)+(?=[\dIViv])")
_QUALITY_MINOR = re.compile(r"m(?!aj)")


@record
class Piece:
    """A part of a symbol; `size`, `raised` and the room `after` it in parts of the root's size."""

    text: str
    face: Face
    size: float
    raised: float = 0.0
    after: float = 0.0


def real_accidentals(text: str) -> str:
    """Write b and # as ♭ and ♯ where they are accidentals.

    >>> [real_accidentals(text) for text in ("Bbm7b5/Ab", "add9", "bVII7", "subV7")]
    ['B♭m7♭5/A♭', 'add9', '♭VII7', 'subV7']
    """

    def change(match: re.Match[str]) -> str:
        return match.group().replace("b", "♭").replace("#", "♯")

    return _ACCIDENTAL.sub(change, text)


def chord_pieces(root: str, quality: str, bass: str | None) -> tuple[Piece, ...]:
    """Split a symbol into pieces, left to right.

    >>> [piece.text for piece in chord_pieces("Bb", "m7b5", "Ab")]
    ['B', '♭', 'm', '7♭5', '/', 'A♭']
    """
    pieces = [Piece(root[0], SERIF_BOLD, 1.0)]
    if root[1:]:
        # A sharp is as wide as its outline; more room than this would split the word.
        after = 0.03 if root[1] == "#" else 0.0
        pieces.append(Piece(_signs(root[1:]), SERIF_BOLD, 0.86, 0.12, after=after))
    rest = quality
    if _QUALITY_MINOR.match(quality):
        pieces.append(Piece("m", SERIF_BOLD, 0.8))
        rest = quality[1:]
    if rest:
        pieces.append(Piece(real_accidentals(rest), SERIF_BOLD, 0.64, 0.2))
    if bass:
        pieces.append(Piece("/", SERIF, 0.95, -0.06))
        pieces.append(Piece(bass[0] + _signs(bass[1:]), SERIF_BOLD, 0.78, -0.14))
    return tuple(pieces)


def chord_width(pieces: tuple[Piece, ...], size_pt: float) -> float:
    """Return how wide a symbol is, in points."""
    return sum(
        advance(piece.text, piece.face, piece.size * size_pt) + piece.after * size_pt
        for piece in pieces
    )


def draw_chord(
    page: Drawing,
    pieces: tuple[Piece, ...],
    x: float,
    y: float,
    size_pt: float,
    *,
    color: str = INK,
    anchor: Anchor = "left",
    name: str = "",
) -> float:
    """Write a symbol on a baseline; return the x at which it ends. `name` marks its root."""
    x -= {"left": 0.0, "middle": 0.5, "right": 1.0}[anchor] * chord_width(pieces, size_pt)
    for piece in pieces:
        x = page.text(
            x,
            y - piece.raised * size_pt,
            piece.text,
            piece.face,
            piece.size * size_pt,
            color=color,
            name=name,
        )
        x += piece.after * size_pt
        name = ""  # ids in an SVG are unique
    return x


def _signs(accidentals: str) -> str:
    return accidentals.replace("b", "♭").replace("#", "♯")
