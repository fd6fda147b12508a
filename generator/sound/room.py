"""One room for the whole band: a network of delay lines that feed one another.

The room is linear and never changes, so a repeated bar sounds the same each time and stems add
up. It is a small, dark studio room: low cut so that the bass stays dry and in the middle, quick
decay so that a stop is silent.

A feedback delay network (Jot and Chaigne 1991): sixteen lines, mixed by a Hadamard matrix, which
neither adds nor takes energy; each line takes off what its length asks for, and all decay alike.
"""

from typing import TYPE_CHECKING

from generator.sound import native
from generator.sound.filters import Cascade, Section, highpass, lowpass
from generator.sound.native import SPAN

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Samples = NDArray[np.float32]

__all__ = ["DECAY_S", "Room", "room_cuts"]

DECAY_S = 0.42
"""Reverberation time: 60 dB of decay."""

_LINES_MS = (
    *(19.31, 20.23, 21.97, 23.81, 24.59, 26.17, 28.33, 29.21),
    *(31.73, 33.37, 34.61, 37.19, 39.83, 41.27, 44.53, 46.91),
)
"""The lengths of the lines, and so the first reflections: at no even distance."""

_DULLNESS = 0.3  # of the longest line; shorter ones dull less
_LOW_CUT_HZ, _HIGH_CUT_HZ = 220.0, 7000.0
_RING_FRAMES = 1 << 13
_STILL_S = 1.0


def room_cuts(rate_hz: int) -> tuple[Section, Section]:
    """Return what a send must pass before it comes into the room: low and high cut."""
    return highpass(_LOW_CUT_HZ, rate_hz), lowpass(_HIGH_CUT_HZ, rate_hz)


class Room:
    """What the room answers to a mono send that has passed the `room_cuts`, block after block.

    The answer of each side to an impulse has unit energy, cuts included, so that a send of 0 dB
    returns about as much as went in.
    """

    def __init__(self, rate_hz: int) -> None:
        import numpy as np

        self._still_frames = round(_STILL_S * rate_hz)
        self._delays = np.rint(np.array(_LINES_MS) * rate_hz / 1000).astype(np.int32)
        lines_s = np.array(_LINES_MS) / 1000
        kept = 10 ** (-3 * lines_s / DECAY_S) / np.sqrt(len(lines_s))  # the matrix is unscaled
        dull = _DULLNESS * lines_s / lines_s[-1]
        self._gains = np.stack([kept * (1 - dull), kept * dull], axis=1).astype(np.float32)
        self._levels = np.ones(2, np.float32)
        self.reset()
        impulse = np.zeros((1, round(DECAY_S * rate_hz) // 64 * 64), np.float32)
        impulse[0, 0] = 1.0
        answer = np.zeros((2, impulse.shape[1]), np.float32)
        self.add(Cascade(room_cuts(rate_hz))(impulse)[0], answer)
        self._levels /= np.sqrt((answer**2).sum(axis=1))
        self.reset()

    def reset(self) -> None:
        """Let the room fall silent."""
        import numpy as np

        self._lines = np.zeros((len(_LINES_MS), _RING_FRAMES + 2 * SPAN), np.float32)
        self._now = 0
        self._silent_frames = self._still_frames

    def add(self, send: "Samples", out: "Samples") -> None:
        """Ring one block, a multiple of 64 samples, and add it to (2, frames)."""
        silent = not send.any()
        if silent and self._silent_frames >= self._still_frames:
            return
        native.ring(
            send,
            self._lines,
            self._now,
            self._delays,
            self._gains,
            self._levels,
            out,
        )
        self._now += len(send)
        self._silent_frames = self._silent_frames + len(send) if silent else 0
        if self._silent_frames >= self._still_frames:
            self.reset()  # what is left is below anything heard, and tiny numbers are slow
