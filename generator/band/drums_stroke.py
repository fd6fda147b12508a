"""One stroke of the drummer."""

from typing import NamedTuple

__all__ = ["Stroke"]


class Stroke(NamedTuple):
    """A stroke on the straight grid; `lane` as in a style file."""

    tick: int
    lane: str
    velocity: int
