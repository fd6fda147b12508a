"""True peak after ITU-R BS.1770-4, Annex 2, streamed: the signal oversampled four times.

Only where a peak can be. A point between two samples lies near the straight line that joins them:
the taps of the interpolator, less those of that line, add up second differences of the signal. So
no point passes the greatest sample of its window by more than the greatest second difference
there, times a weight. What cannot reach a level is passed over, and the result is the same as that
of oversampling everything.
"""

import math
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.native import SPAN

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.float32]

__all__ = ["SpanPeaks", "bend_weight", "interpolator"]

_OVERSAMPLING = 4
_HALF_TAPS = 16
_BETA = 8.0


class SpanPeaks:
    """The true peak of each span of 64 samples of a signal, where it may pass a level.

    Parameters
    ----------
    read : callable
        Returns a block, (2, frames), by its number; only those that hold such spans are read.
    block_frames : int
        Length of a block, a multiple of 64.
    reaches : array of float32 or float16, (spans + 1,)
        Of a `Meter`, or greater.
    """

    def __init__(
        self,
        read: "Callable[[int], Samples]",
        block_frames: int,
        reaches: "Samples | NDArray[np.float16]",
    ) -> None:
        import numpy as np

        self._read, self._block_spans = read, block_frames // SPAN
        self._taps = interpolator()
        self._reaches = reaches.astype(np.float32)
        # A span more at both ends: windows begin there, or end.
        self._peaks = np.zeros(len(reaches) + 1, np.float32)
        self._floor = math.inf

    def above(self, floor: float) -> "Samples":
        """Return the peaks, (spans,), or less where they are below `floor`; not to be changed."""
        import numpy as np

        fresh = np.flatnonzero((self._reaches > floor) & (self._reaches <= self._floor))
        self._floor = min(self._floor, floor)
        numbers = (fresh - 1) // self._block_spans  # window w starts in span w - 1
        borders = np.flatnonzero(np.diff(numbers)) + 1
        for windows in np.split(fresh, borders) if fresh.size else ():
            self._look(int(windows[0] - 1) // self._block_spans, windows)
        return self._peaks[1:-1]

    def _look(self, number: int, windows: "NDArray[np.int64]") -> None:
        """Find the peaks in the windows that start in a block; some of the last end in the next."""
        import numpy as np

        last = (number + 1) * self._block_spans
        inner = windows[: np.searchsorted(windows, last)]
        if inner.size:
            self._raise(self._read(number), last - self._block_spans + 1, inner)
        if inner.size < windows.size:
            silence = np.zeros((2, SPAN), np.float32)
            before = self._read(number)[:, -SPAN:] if number >= 0 else silence
            after = self._read(number + 1)[:, :SPAN] if last + 1 < len(self._reaches) else silence
            self._raise(np.concatenate([before, after], axis=1), last, windows[-1:])

    def _raise(self, signal: "Samples", first: int, windows: "NDArray[np.int64]") -> None:
        import numpy as np

        tops = np.maximum(*[native.span_tops(row, windows - first, self._taps) for row in signal])
        # A window starts up to 64 samples before the points that it holds.
        for spans in (windows, windows + 1):
            self._peaks[spans] = np.maximum(self._peaks[spans], tops)


@cache
def interpolator() -> "Samples":
    """Return taps (3, 2 * _HALF_TAPS) for the three points between two samples.

    A windowed sinc (Kaiser): flatter than the 12 taps a phase of the standard's example,
    within the ripple that Annex 2 allows.
    """
    import numpy as np

    fractions = np.arange(1, _OVERSAMPLING) / _OVERSAMPLING
    distance = np.arange(2 * _HALF_TAPS) - (_HALF_TAPS - 1) - fractions[:, None]
    window = np.i0(_BETA * np.sqrt(np.maximum(0.0, 1 - (distance / _HALF_TAPS) ** 2))) / np.i0(
        _BETA
    )
    taps = np.sinc(distance) * window
    scaled: Samples = (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)
    return scaled


@cache
def bend_weight() -> float:
    """Return how much the second differences near a point can add to the line below it.

    The line runs where the taps have their centre of gravity. What is left of them has neither
    sum nor moment, so that summed twice it gives the weights of the second differences.
    """
    import numpy as np

    left = interpolator().astype(np.float64)
    share = left @ (np.arange(2 * _HALF_TAPS) - (_HALF_TAPS - 1))
    left[:, _HALF_TAPS - 1] -= 1 - share
    left[:, _HALF_TAPS] -= share
    return float(np.abs(left.cumsum(axis=1).cumsum(axis=1)).sum(axis=1).max())
