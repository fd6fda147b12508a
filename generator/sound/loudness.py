"""Integrated loudness after ITU-R BS.1770-4, Annex 1, streamed.

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
from generator.sound.true_peak import TruePeakMeter

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "LoudnessMeter",
    "gated_loudness",
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


class LoudnessMeter:
    """Takes blocks of (channels, frames) samples; any length, one or two front channels."""

    def __init__(self, rate_hz: int) -> None:
        import numpy as np

        self._rate_hz = rate_hz
        self._weighting = np.array(k_weighting(rate_hz))
        self._state = np.zeros((6, 2))
        self._seen = 0
        self._open_hop = self._open_span = 0.0
        self._hops: list[NDArray[np.float64]] = []
        self._whole_hops = 0

    def add(self, block: "NDArray[np.float32]") -> "NDArray[np.float32]":
        """Measure on; return the mean squares of the spans of 64 samples that are whole now.

        They are summed over the channels, and counted from the beginning, however long the blocks.
        """
        import numpy as np

        first, last = self._seen, self._seen + block.shape[1]
        # Hop h covers the samples from round(h * rate / 10) to the next such edge.
        numbers = np.arange(self._whole_hops, last * 10 // self._rate_hz + 3)
        edges = np.rint(numbers * self._rate_hz / 10).astype(np.int64)
        hops = np.zeros(len(edges) - 1)
        spans = np.zeros(last // SPAN - first // SPAN + 1)
        hops[0], spans[0] = self._open_hop, self._open_span
        native.weighted_powers(
            np.ascontiguousarray(block, np.float32),
            self._weighting,
            self._state,
            span_end=SPAN - first % SPAN,
            spans=spans,
            hop_ends=edges[1:] - first,
            hops=hops,
        )
        whole = int(np.searchsorted(edges, last, side="right")) - 1
        self._hops.append(hops[:whole] / np.diff(edges[: whole + 1]))
        self._open_hop, self._open_span = hops[whole], spans[-1]
        self._whole_hops += whole
        self._seen = last
        return (spans[:-1] / SPAN).astype(np.float32)

    def hop_powers(self) -> "NDArray[np.float64]":
        """Return the mean square of every whole 100 ms so far, summed over the channels."""
        import numpy as np

        return np.concatenate(self._hops) if self._hops else np.zeros(0)

    def integrated(self) -> float:
        """Return the gated loudness in LUFS of everything added."""
        return gated_loudness(self.hop_powers())


def measure(signal: "NDArray[np.float32]", rate_hz: int) -> tuple[float, float]:
    """Return (LUFS, dBTP) of (channels, frames) samples.

    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 997 * np.arange(48_000 * 3) / 48_000).astype(np.float32)
    >>> lufs, dbtp = measure(tone[None], 48_000)
    >>> round(lufs, 1), abs(dbtp) < 0.01
    (-3.0, True)
    """
    loudness = LoudnessMeter(rate_hz)
    peak = TruePeakMeter(len(signal))
    loudness.add(signal)
    peak.add(signal)
    return loudness.integrated(), peak.finish()
