"""Which process makes which track: tracks with the same drums are for the same one.

It has the notes of the rhythm worked out and the sound of the drums at hand for the next of them.
"""

from collections import deque
from collections.abc import Iterable
from itertools import groupby

from generator.pack.plan import PlannedTrack

__all__ = ["Shares"]


class Shares:
    """Tracks that are handed out one by one, each once.

    Attributes
    ----------
    left : int
        How many are left.

    Examples
    --------
    ``shares.next("first")`` is the next track for the process that is called so.
    """

    def __init__(self, tracks: Iterable[PlannedTrack]) -> None:
        # Every second one from its end: so two processes seldom record the same notes at once.
        self._untouched = deque(
            deque([*group][:: -1 if number % 2 else 1])
            for number, (_, group) in enumerate(groupby(tracks, key=_rhythm))
        )
        self._of: dict[object, deque[PlannedTrack]] = {}
        self.left = sum(map(len, self._untouched))

    def next(self, process: object) -> PlannedTrack | None:
        """Return a track for a process, None if there is none left.

        When its own group is done it begins another, and when all are begun it helps with the one
        of which most is left, from its end.
        """
        own = self._of.get(process)
        if not own and self._untouched:
            own = self._of[process] = self._untouched.popleft()
        if own:
            self.left -= 1
            return own.popleft()
        fullest = max(self._of.values(), key=len, default=None)
        if not fullest:
            return None
        self.left -= 1
        return fullest.pop()


def _rhythm(track: PlannedTrack) -> tuple[str, str | None, str | None]:
    """Return what tracks with the same drums have in common."""
    return track.chart_text, track.options.style, track.options.tempo
