"""Recursive filters: the coefficients of biquads."""

import math

__all__ = ["PASS", "Section", "highpass", "lowpass"]

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
