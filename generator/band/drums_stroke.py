"""One stroke of the drummer."""

from dataclasses import dataclass

__all__ = ["Stroke"]


@dataclass(frozen=True, slots=True, order=True)
class Stroke:
    """A stroke on the straight grid; `lane` as in a style file."""

    tick: int
    lane: str
    velocity: int
