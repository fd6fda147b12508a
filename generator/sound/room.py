"""One room for the whole band: a synthesised impulse response and its streamed convolution.

The room is linear and never changes, so a repeated bar sounds the same each time and stems add
up. It is a small, dark studio room: low cut so that the bass stays dry and in the middle, quick
decay so that a stop is silent.
"""

import math
from copy import copy
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["DECAY_S", "Room", "impulse_response"]

DECAY_S = 0.42
"""Reverberation time: 60 dB of decay."""

_LENGTH_S = 0.46
_PRE_DELAY_S = 0.008
_LOW_CUT_HZ, _HIGH_CUT_HZ = 220.0, 7000.0
_FFT_FRAMES = 81_920  # what stays in a core's cache; room and block share it
_HIGH_RATE_HZ = 50_000


def impulse_response(rate_hz: int) -> "NDArray[np.float32]":
    """Return (2, frames): a few early reflections, then decaying noise, unlike left and right.

    Each side has unit energy, so a send of 0 dB returns about as much as went in. Noise is drawn
    from a fixed seed at 96 kHz spacing of time, hence the same room on every machine.
    """
    import numpy as np

    frames = round(_LENGTH_S * rate_hz)
    rng = np.random.Generator(np.random.PCG64(20_240))
    time_s = np.arange(frames) / rate_hz
    noise = rng.standard_normal((2, frames))
    tail = noise * 10 ** (-3 * time_s / DECAY_S) * np.clip((time_s - 0.018) / 0.012, 0, 1)
    early = np.zeros((2, frames))
    for side, delays_ms in enumerate(((11.3, 17.9, 23.1, 31.7), (12.7, 16.1, 25.3, 29.9))):
        for order, delay_ms in enumerate(delays_ms):
            early[side, round((_PRE_DELAY_S + delay_ms / 1000) * rate_hz)] = (
                (-1) ** order * 9.0 * 10 ** (-0.09 * order)
            )
    spectrum = np.fft.rfft(tail + early, axis=1)
    hz = np.fft.rfftfreq(frames, 1 / rate_hz)
    low = (hz / _LOW_CUT_HZ) ** 2
    spectrum *= low / np.sqrt(1 + low**2) / np.sqrt(1 + (hz / _HIGH_CUT_HZ) ** 4)
    room = np.fft.irfft(spectrum, frames, axis=1)
    fade = round(0.04 * rate_hz)
    room[:, -fade:] *= np.cos(np.linspace(0, math.pi / 2, fade)) ** 2
    room /= np.sqrt((room**2).sum(axis=1, keepdims=True))
    return room.astype(np.float32)


class Room:
    """Overlap-add FFT convolution of a mono send with the room, block after block.

    Attributes
    ----------
    block_frames : int
        The length that every block given to it must have.
    tail_frames : int
        How long the room rings after the last sample.
    """

    def __init__(self, rate_hz: int) -> None:
        import numpy as np

        response = impulse_response(rate_hz)
        self._fft_frames = _FFT_FRAMES * (1 if rate_hz <= _HIGH_RATE_HZ else 2)
        self.tail_frames = response.shape[1]
        self.block_frames = (self._fft_frames - self.tail_frames) // 64 * 64
        # Unscaled: of the orthonormal transforms below, the forward one divides by sqrt(n) and the
        # inverse one multiplies by it, so that the product is a plain convolution.
        self._spectrum = np.fft.rfft(response, self._fft_frames, axis=1).astype(np.complex64)
        self.reset()

    def another(self) -> "Room":
        """Return the same room, silent."""
        room = copy(self)
        room.reset()
        return room

    def reset(self) -> None:
        """Let the room fall silent."""
        import numpy as np

        self._ringing = np.zeros((2, self._fft_frames - self.block_frames), np.float32)
        self._still = True

    def add(self, send: "NDArray[np.float32]", out: "NDArray[np.float32]") -> None:
        """Convolve one block of `block_frames` samples and add it to (2, block_frames)."""
        import numpy as np

        n = self.block_frames
        if not send.any():
            if not self._still:
                out[:, : self._ringing.shape[1]] += self._ringing
                self.reset()
            return
        # numpy computes the plain forward transform of float32 in double precision (its unit
        # scale is a Python int); the orthonormal one stays in single, four times faster.
        spectrum = np.fft.rfft(send, self._fft_frames, norm="ortho")
        wet = np.fft.irfft(spectrum * self._spectrum, self._fft_frames, axis=1, norm="ortho")
        wet = wet.astype(np.float32, copy=False)
        wet[:, : self._ringing.shape[1]] += self._ringing
        self._ringing[:] = wet[:, n:]
        self._still = False
        out += wet[:, :n]
