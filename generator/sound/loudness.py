"""Integrated loudness after ITU-R BS.1770-4, Annex 1, streamed, and with it the true peak.

K-weighting (two biquads), mean square over blocks of 400 ms that overlap by 75 %, an absolute gate
at -70 LUFS and a relative gate 10 LU below. The standard tabulates the K-weighting at 48 kHz; for
other rates the analogue prototype behind that table is transformed anew (parameters as derived by
Mansbridge, Finn and Reiss 2012, which give the table back at 48 kHz to its last printed digits).
"""

import math
from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.filters import Section
from generator.sound.native import SPAN
from generator.sound.true_peak import bend_weight, interpolator

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.float32]

__all__ = [
    "Meter",
    "gated_loudness",
    "hop_edges",
    "k_weighting",
    "measure",
]

_OFFSET_DB = -0.691
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0


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


def hop_edges(hops: int, rate_hz: int) -> "NDArray[np.float64]":
    """Return the samples that so many hops of 100 ms begin at, and where the last one ends.

    >>> hop_edges(3, 22_050)
    array([   0., 2205., 4410., 6615.])
    """
    import numpy as np

    edges: NDArray[np.float64] = np.rint(np.arange(hops + 1) * rate_hz / 10)
    return edges


class Meter:
    """Loudness and true peak of blocks of (channels, frames) samples.

    The blocks may have any length; there are one or two front channels.
    """

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        import numpy as np

        self._rate_hz = rate_hz
        self._gauge = native.Gauge(
            np.array(k_weighting(rate_hz)), rate_hz, interpolator(), bend_weight()
        )
        self._rest = np.zeros((channels, 0), np.float32)
        self._seen = 0
        self._hops: list[NDArray[np.float64]] = []

    def add(self, block: "Samples") -> "tuple[Samples, Samples]":
        """Measure on, as far as spans of 64 samples are whole.

        Returns
        -------
        powers : array
            The mean squares of those that are whole now, summed over the channels.
        reaches : array
            As many, which lag a span behind: no point of a span lies above the greater of its own
            value and the next one, see `SpanPeaks`.
        """
        import numpy as np

        self._seen += block.shape[1]
        if self._rest.shape[1] or block.shape[1] % SPAN:
            both = np.concatenate([self._rest, block], axis=1)
            whole = both.shape[1] // SPAN * SPAN
            block, self._rest = both[:, :whole], both[:, whole:].copy()
        powers, reaches, hops = self._gauge.measure(block)
        self._hops.append(hops)
        return powers, reaches

    def finish(self) -> "Samples":
        """Hear what is left and rings on, once at the end; return the last reaches."""
        import numpy as np

        seen = self._seen
        _, reaches = self.add(np.zeros((len(self._rest), SPAN + -seen % SPAN), np.float32))
        self._seen = seen
        return reaches

    def hop_powers(self) -> "NDArray[np.float64]":
        """Return the mean square of every whole 100 ms so far, summed over the channels."""
        import numpy as np

        hops = np.concatenate([np.zeros(0), *self._hops])
        return hops[hop_edges(len(hops), self._rate_hz)[1:] <= self._seen]

    def lufs(self) -> float:
        """Return the gated loudness so far."""
        return gated_loudness(self.hop_powers())

    def dbtp(self) -> float:
        """Return the true peak so far; -inf if silent."""
        return 20 * math.log10(self._gauge.peak) if self._gauge.peak > 0 else -math.inf


def measure(signal: "NDArray[np.float32]", rate_hz: int) -> tuple[float, float]:
    """Return (LUFS, dBTP) of (channels, frames) samples.

    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48_000 * 3) / 48_000).astype(np.float32)
    >>> lufs, dbtp = measure(tone[None], 48_000)
    >>> round(lufs, 1), abs(dbtp) < 0.01
    (-3.0, True)
    """
    import numpy as np

    meter = Meter(rate_hz, len(signal))
    meter.add(np.ascontiguousarray(signal, np.float32))
    meter.finish()
    return meter.lufs(), meter.dbtp()
