"""Recursive filters, streamed: biquads in series, the same for all rows or another for each."""

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["PASS", "Cascade", "Section", "highpass", "lowpass"]

Section = tuple[float, float, float, float, float]
"""A biquad (b0, b1, b2, a1, a2) with a0 = 1."""

PASS: Section = (1.0, 0.0, 0.0, 0.0, 0.0)
"""The biquad that leaves everything as it is."""


def highpass(cutoff_hz: float, rate_hz: int) -> Section:
    """Return a second-order Butterworth high-pass (R. Bristow-Johnson's cookbook)."""
    w, alpha, a0 = _bilinear(cutoff_hz, rate_hz)
    b = (1 + math.cos(w)) / a0
    return (b / 2, -b, b / 2, -2 * math.cos(w) / a0, (1 - alpha) / a0)


def lowpass(cutoff_hz: float, rate_hz: int) -> Section:
    """Return a second-order Butterworth low-pass (R. Bristow-Johnson's cookbook)."""
    w, alpha, a0 = _bilinear(cutoff_hz, rate_hz)
    b = (1 - math.cos(w)) / a0
    return (b / 2, b, b / 2, -2 * math.cos(w) / a0, (1 - alpha) / a0)


def _bilinear(cutoff_hz: float, rate_hz: int) -> tuple[float, float, float]:
    w = 2 * math.pi * cutoff_hz / rate_hz
    alpha = math.sin(w) * math.sqrt(0.5)
    return w, alpha, 1 + alpha


class Cascade:
    """One or two biquads in series over each row of a signal, state kept from block to block.

    Parameters
    ----------
    *rows : tuple of Section
        The biquads of each row, one to three of them; as many in each.
    """

    def __init__(self, *rows: tuple[Section, ...]) -> None:
        import numpy as np

        self._coefficients = np.array(rows)
        self._state = np.zeros((*self._coefficients.shape[:2], 2))

    def __call__(self, block: "NDArray[np.float32]") -> "NDArray[np.float32]":
        """Filter (rows, frames) of any length; returns the same shape."""
        from generator.sound import native

        return native.cascade(block, self._coefficients, self._state)
