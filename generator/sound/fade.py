"""How a percussion note falls silent once it is let go or choked: a curve on the note left alone.

A drum is struck at many lengths: each hat ends where the next one chokes it. Where a font lets a
key sound at one level until it ends (`FontTables.steady_releases_s`), all of them are one recording
times a curve: from then on the level falls evenly in decibels, by 96 dB in the release time of the
font (SoundFont 2.04, section 8.1.2, generator 38), or in 0.89 s when it is choked.

FluidSynth does this once a block, in whole tenths of a decibel, and draws straight lines between.
These figures were found by measuring 2.3.1; a `Player` checks them on the library that it runs.
"""

from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.synth import BLOCK

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["EARLIEST_BLOCKS", "faded", "follows", "trimmed"]

EARLIEST_BLOCKS = 16
"""A note that ends sooner may still be in its attack, and is no case for a curve."""

_DEPTH_CB = 960.0
_INAUDIBLE_CB = 800.0
_CHOKE_S = 2 ** (-200 / 1200)


def _fall_cb(time_s: float, rate_hz: int) -> float:
    """Return how far the level falls in a block: FluidSynth counts whole blocks, and one more."""
    return _DEPTH_CB / (1 + int(time_s * rate_hz / BLOCK))


def faded(
    held: "NDArray[np.float32]",
    *,
    off_blocks: int,
    release_s: float,
    choke_blocks: int,
    rate_hz: int,
) -> "NDArray[np.float32]":
    """Return a note, (1 or 2, frames), that is let go and perhaps choked.

    Parameters
    ----------
    held : array of float32, (1 or 2, frames)
        The same note left alone.
    off_blocks, choke_blocks : int
        When it is let go and when it is choked, the latter 0 for never.
    release_s : float
        How long it takes to fall silent after being let go.
    rate_hz : int
    """
    import numpy as np

    first = min(off_blocks, choke_blocks or off_blocks)
    blocks = held.shape[1] // BLOCK - first
    if blocks <= 0:
        return held
    after = np.arange(blocks + 1)
    let_go, choked = (_fall_cb(time_s, rate_hz) for time_s in (release_s, _CHOKE_S))
    fall_cb = after * (choked if choke_blocks == first else let_go)
    if choke_blocks > first:
        before = np.minimum(after, choke_blocks - first)
        fall_cb = before * let_go + (after - before) * choked
    blocks = min(blocks, int(np.count_nonzero(fall_cb < _INAUDIBLE_CB)))
    gains = 10 ** (-np.floor(fall_cb[: blocks + 1] + 1e-9) / 200)
    sound = held[:, : (first + blocks) * BLOCK].copy()
    corners = BLOCK * np.arange(blocks + 1)
    native.follow_curve(sound[:, first * BLOCK :], corners, gains.astype(np.float32))
    return trimmed(sound)


def trimmed(sound: "NDArray[np.float32]") -> "NDArray[np.float32]":
    """Return a recording up to where it stays 80 dB below its peak."""
    import numpy as np

    heights = native.span_heights(sound).max(axis=0)
    alive = np.flatnonzero(heights > 10 ** (-_INAUDIBLE_CB / 200) * heights.max())
    return sound[:, : (int(alive[-1]) + 1 if alive.size else 1) * BLOCK]


def follows(heard: "NDArray[np.float32]", expected: "NDArray[np.float32]") -> bool:
    """Return whether a recording is the one expected, but for the touch of what chokes it."""
    import numpy as np

    frames = min(heard.shape[1], expected.shape[1])
    rest = heard[:, :frames].astype(np.float64) - expected[:, :frames]
    return float((rest**2).sum()) < 1e-5 * float((heard.astype(np.float64) ** 2).sum())
