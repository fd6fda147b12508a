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
_NEAR_SPANS, _MOST_SPANS = 128, 2048  # what is read at once: windows so near, and so many spans


class SpanPeaks:
    """The true peak of each span of 64 samples of a signal, where it may pass a level.

    Parameters
    ----------
    fill : callable
        Copies what lies from a sample on into (2, frames), silence behind the end (see `Blocks`);
        it is asked for what holds such spans, and hardly more.
    reaches : array of float32 or float16, (spans + 1,)
        Of a `Meter`, or greater.
    """

    def __init__(
        self,
        fill: "Callable[[Samples, int], None]",
        reaches: "Samples | NDArray[np.float16]",
    ) -> None:
        import numpy as np

        self._fill = fill
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
        apart = np.diff(fresh) > _NEAR_SPANS
        borders = np.flatnonzero(apart | (np.diff(fresh // _MOST_SPANS) > 0)) + 1
        for windows in np.split(fresh, borders) if fresh.size else ():
            self._look(windows)
        return self._peaks[1:-1]

    def _look(self, windows: "NDArray[np.int64]") -> None:
        """Find the peaks in some windows: window w starts in span w - 1 and ends in the next."""
        import numpy as np

        first, last = int(windows[0]), int(windows[-1])
        signal = np.zeros((2, (last - first + 2) * SPAN), np.float32)
        before = 0 if first else SPAN  # of silence: the first window starts there
        self._fill(signal[:, before:], (first - 1) * SPAN + before)
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
