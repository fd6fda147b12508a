"""A true-peak limiter with look-ahead, for tracks louder than their peaks allow.

The gain in decibels is the lowest of all the V shapes that stand under the peaks: falling ahead
of a peak by 1.5 dB a millisecond at most, rising behind it by 60 dB a second. Both slopes are
running minima, so the whole curve is found without a loop over samples. The gain moves in steps
of 64 samples, joined by straight lines.
"""

from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.native import SPAN

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["apply_curve", "corner_gains", "gain_curve_db", "power_lost"]

_ATTACK_DB_PER_S = 1500.0
_RELEASE_DB_PER_S = 60.0
_NEARLY = 0.99  # of the ceiling: nothing is taken off below, however it is rounded


def gain_curve_db(
    peaks: "NDArray[np.float32]", gain: float, ceiling_dbtp: float, rate_hz: int
) -> "NDArray[np.float32]":
    """Return the gain change in dB at the corners, one more than there are spans.

    Parameters
    ----------
    peaks : array of float32, (spans,)
        True peak of each span of 64 samples before `gain` is applied.
    gain : float
        Master gain, linear.
    ceiling_dbtp : float
        What no true peak may exceed.
    rate_hz : int

    Examples
    --------
    >>> import numpy as np
    >>> curve = gain_curve_db(np.array([0.1, 2.0, 0.1], np.float32), 1.0, 0.0, 44_100)
    >>> [round(float(value), 2) for value in curve]
    [-3.84, -6.02, -6.02, -5.93]
    """
    import numpy as np

    # Few spans are near the ceiling, or above.
    near = np.flatnonzero(peaks > _NEARLY * 10 ** (ceiling_dbtp / 20) / gain)
    need = np.zeros(len(peaks), np.float32)
    need[near] = np.minimum(-20 * np.log10(peaks[near] * np.float32(gain)) + ceiling_dbtp, 0.0)
    corners = np.empty(len(need) + 1, np.float32)
    corners[0], corners[-1] = need[0], need[-1]
    np.minimum(need[:-1], need[1:], out=corners[1:-1])
    native.limit_slope(corners, _RELEASE_DB_PER_S * SPAN / rate_hz)
    native.limit_slope(corners[::-1], _ATTACK_DB_PER_S * SPAN / rate_hz)
    return corners


def power_lost(
    powers: "NDArray[np.float32] | NDArray[np.float16]", curve_db: "NDArray[np.float32]"
) -> "NDArray[np.float32]":
    """Return what the curve takes off the power of each span of 64 samples.

    Examples
    --------
    >>> import numpy as np
    >>> lost = power_lost(np.ones(2, np.float32), np.array([0, 0, -20], np.float32))
    >>> [round(float(value), 2) for value in lost]
    [0.0, 0.63]
    """
    import numpy as np

    lost = np.zeros(len(powers), np.float32)
    held = np.flatnonzero(np.minimum(curve_db[:-1], curve_db[1:]) < 0)
    before, after = 10 ** (curve_db[held] / 20), 10 ** (curve_db[held + 1] / 20)
    # The mean square of a straight line.
    left = (before * before + before * after + after * after) / 3
    lost[held] = powers[held] * (1 - left)
    return lost


def corner_gains(
    curve_db: "NDArray[np.float32]", start: int, frames: int
) -> "NDArray[np.float32] | None":
    """Return the gains at the corners of the spans from sample `start` on; None if all are 1.

    `start` is a multiple of 64. Behind the end of the curve the gain stays what it was.
    """
    import numpy as np

    first, spans = start // SPAN, -(-frames // SPAN)
    corners = curve_db[first : first + spans + 1]
    if len(corners) <= spans:
        corners = np.append(corners, np.repeat(curve_db[-1], spans + 1 - len(corners)))
    return (10 ** (corners / 20)).astype(np.float32) if corners.any() else None


def apply_curve(block: "NDArray[np.float32]", corners: "NDArray[np.float32]") -> None:
    """Multiply (2, frames) in place by what `corner_gains` returned.

    Between two corners the gain, not the decibel, follows a straight line.
    """
    import numpy as np

    native.follow_curve(block, SPAN * np.arange(len(corners)), corners)
