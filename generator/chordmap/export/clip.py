"""What remains of timed entries from time zero on, and text made fit for one line."""

from collections.abc import Iterable, Iterator
from typing import Protocol, TypeVar

__all__ = ["from_zero", "one_line"]


_SHORTEST_S = 1e-6  # files hold whole microseconds


class Timed(Protocol):
    """Anything with a start and an end in seconds."""

    @property
    def start_s(self) -> float:
        """Start."""

    @property
    def end_s(self) -> float:
        """End."""


Entry = TypeVar("Entry", bound=Timed)


def from_zero(entries: Iterable[Entry]) -> Iterator[tuple[float, float, Entry]]:
    """Yield (start, end, entry) of what ends a microsecond or more after zero, cut at zero."""
    for entry in entries:
        if entry.end_s >= _SHORTEST_S:
            yield max(0.0, entry.start_s), entry.end_s, entry


def one_line(text: str) -> str:
    r"""Return text without line breaks and control characters.

    >>> one_line("one\r\ntwo\x00")
    'one two'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
