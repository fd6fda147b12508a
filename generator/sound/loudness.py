"""Integrated loudness and true peak after ITU-R BS.1770-4, streamed.

Annex 1: K-weighting (two biquads), mean square over blocks of 400 ms that overlap by 75 %, an
absolute gate at -70 LUFS and a relative gate 10 LU below. Annex 2: peak of the signal oversampled
four times. The standard tabulates the K-weighting at 48 kHz; for other rates the analogue
prototype behind that table is transformed anew (parameters as derived by Mansbridge, Finn and
Reiss 2012, which give the table back at 48 kHz to its last printed digits).
"""

import math
from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.filters import Cascade, Section
from generator.sound.native import SPAN

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "LoudnessMeter",
    "TruePeakMeter",
    "gated_loudness",
    "k_weighting",
    "measure",
]

_OFFSET_DB = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0

_OVERSAMPLING = 4
_HALF_TAPS = 16
_BETA = 8.0
_BATCH = 64


def k_weighting(rate_hz: int) -> tuple[Section, Section]:
    """Return the two stages of the K-weighting: high shelf, then high-pass."""
    gain_db, q, cutoff_hz = 3.999843853973347, 0.7071752369554196, 1681.974450955533
    k = math.tan(math.pi * cutoff_hz / rate_hz)
    v_h = 10 ** (gain_db / 20)
    v_b = v_h**0.4996667741545416
    a0 = 1 + k / q + k * k
    shelf = (
        (v_h + v_b * k / q + k * k) / a0,
        2 * (k * k - v_h) / a0,
        (v_h - v_b * k / q + k * k) / a0,
        2 * (k * k - 1) / a0,
        (1 - k / q + k * k) / a0,
    )
    q, cutoff_hz = 0.5003270373238773, 38.13547087602444
    k = math.tan(math.pi * cutoff_hz / rate_hz)
    a0 = 1 + k / q + k * k
    # The standard leaves the gain of this stage at b = (1, -2, 1).
    high_pass = (1.0, -2.0, 1.0, 2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0)
    return shelf, high_pass


def gated_loudness(hop_powers: "NDArray[np.float64]") -> float:
    """Return LUFS from the mean squares of 100 ms hops, summed over channels; -inf if silent."""
    import numpy as np

    if len(hop_powers) < 4:
        return -math.inf
    sums = np.concatenate([[0.0], np.cumsum(hop_powers)])
    blocks = np.maximum((sums[4:] - sums[:-4]) / 4, 0.0)
    loud = blocks[blocks > 10 ** ((_ABSOLUTE_GATE_LUFS - _OFFSET_DB) / 10)]
    if not loud.size:
        return -math.inf
    gate = loud.mean() * 10 ** (_RELATIVE_GATE_LU / 10)
    return float(_OFFSET_DB + 10 * math.log10(loud[loud > gate].mean()))


class LoudnessMeter:
    """Takes blocks of (channels, frames) samples; any length, front channels only."""

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        import numpy as np

        self._rate_hz = rate_hz
        self._weighting = Cascade(*[k_weighting(rate_hz)] * channels)
        self._power = np.zeros(0, np.float32)
        self._seen = 0
        self._hops: list[NDArray[np.float64]] = []

    def add(self, block: "NDArray[np.float32]") -> None:
        """Measure on."""
        import numpy as np

        weighted = self._weighting(np.ascontiguousarray(block, np.float32))
        power = np.einsum("cn,cn->n", weighted, weighted, dtype=np.float32)
        power = np.concatenate([self._power, power])
        first = self._seen
        # Hop h covers the samples from round(h * rate / 10) to the next such edge.
        edges = [first]
        hop = round(first * 10 / self._rate_hz)
        while (edge := round((hop + 1) * self._rate_hz / 10)) <= first + len(power):
            edges.append(edge)
            hop += 1
        if len(edges) > 1:
            offsets = np.array(edges) - first
            sums = np.add.reduceat(power[: offsets[-1]], offsets[:-1], dtype=np.float64)
            self._hops.append(sums / np.diff(offsets))
            power = power[offsets[-1] :]
            self._seen = edges[-1]
        self._power = power

    def hop_powers(self) -> "NDArray[np.float64]":
        """Return the mean square of every whole 100 ms so far, summed over the channels."""
        import numpy as np

        return np.concatenate(self._hops) if self._hops else np.zeros(0)

    def integrated(self) -> float:
        """Return the gated loudness in LUFS of everything added."""
        return gated_loudness(self.hop_powers())


class TruePeakMeter:
    """Peak between the samples: oversampled only where a peak can be.

    The interpolated signal cannot exceed the greatest absolute sample near it by more than the
    sum of the absolute taps, so stretches too quiet to hold the peak are passed over; the result
    is the same as that of oversampling everything.
    """

    def __init__(self, channels: int = 2) -> None:
        import numpy as np

        self._taps = _interpolator()
        self._bound = float(np.abs(self._taps).sum(axis=1).max())
        self._before = np.zeros((channels, SPAN), np.float32)
        self.peak = 0.0

    def add(self, block: "NDArray[np.float32]") -> None:
        """Measure on."""
        import numpy as np

        signal = np.concatenate([self._before, block], axis=1)
        whole = signal.shape[1] // SPAN * SPAN
        if whole > SPAN:
            for channel, heights in zip(
                signal, native.span_heights(signal[:, :whole]), strict=True
            ):
                self._raise(channel, heights)
        self._before = signal[:, max(0, whole - SPAN) :].copy()

    def finish(self) -> float:
        """Return the peak in dBTP, with what rings on after the last sample; -inf if silent."""
        import numpy as np

        self.add(np.zeros((self._before.shape[0], 3 * SPAN), np.float32))
        return 20 * math.log10(self.peak) if self.peak > 0 else -math.inf

    def span_peaks(self, signal: "NDArray[np.float32]", floor: float) -> "NDArray[np.float32]":
        """Return the true peak near each span of 64 samples of (channels, 64 * (spans + 1)).

        The first span is only there for its samples. Spans whose true peak cannot reach `floor`
        give their greatest sample instead.
        """
        import numpy as np

        spans = signal.shape[1] // SPAN - 1
        peaks = np.zeros(spans + 1, np.float32)
        for channel, heights in zip(signal, native.span_heights(signal), strict=True):
            near = np.maximum(heights[:-1], heights[1:])
            peaks = np.maximum(peaks, heights)
            loud = np.flatnonzero(near * self._bound > floor)
            for i in range(0, len(loud), _BATCH):
                some = loud[i : i + _BATCH]
                tops = native.tops_between(channel, some, self._taps)
                # A window starts up to 64 samples before the point that it interpolates.
                np.maximum.at(peaks, some, tops)
                np.maximum.at(peaks, some + 1, tops)
        return peaks[1:]

    def _raise(self, channel: "NDArray[np.float32]", heights: "NDArray[np.float32]") -> None:
        import numpy as np

        near = np.maximum(heights[:-1], heights[1:])
        self.peak = max(self.peak, float(heights.max()))
        loud = np.flatnonzero(near * self._bound > self.peak)
        loud = loud[np.argsort(-near[loud], kind="stable")]
        for i in range(0, len(loud), _BATCH):
            some = loud[i : i + _BATCH]
            if near[some[0]] * self._bound <= self.peak:
                break
            self.peak = max(self.peak, float(native.tops_between(channel, some, self._taps).max()))


def _interpolator() -> "NDArray[np.float32]":
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
    scaled: NDArray[np.float32] = (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)
    return scaled


def measure(signal: "NDArray[np.float32]", rate_hz: int) -> tuple[float, float]:
    """Return (LUFS, dBTP) of (channels, frames) samples.

    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48_000 * 3) / 48_000).astype(np.float32)
    >>> lufs, dbtp = measure(tone[None], 48_000)
    >>> round(lufs, 1), abs(dbtp) < 0.01
    (-3.0, True)
    """
    loudness = LoudnessMeter(rate_hz, len(signal))
    peak = TruePeakMeter(len(signal))
    loudness.add(signal)
    peak.add(signal)
    return loudness.integrated(), peak.finish()
