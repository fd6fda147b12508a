"""Place recordings on the parts' buses, one block at a time.

A block holds about 2.8 s. Memory does not grow with the length of the track. Every step is
linear, so that stems add up to the mix: level, pan, expression, damping at stops.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING, Protocol

from generator.record import record
from generator.sound.native import Dry, packed_sounding
from generator.sound.notes import NoteKey, Placement
from generator.sound.recording import Sound

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["EXPRESSION", "Bus", "Channel", "Source", "expression_gain", "pan_gains"]

EXPRESSION = 11
"""The controller whose changes move the level of a bus."""

DAMP_S = 0.09
"""How quickly a hand stops what still rings when the band stops."""

RAMP_S = 0.005
"""How long a change of expression takes."""


@record
class Channel:
    """A part on the desk: what it plays, how loud, where; gain and send are linear.

    `expression` is a list of (sample, linear gain), in order; each holds until the next.
    """

    name: str
    placements: tuple[Placement, ...]
    gain: float
    pan: float
    send: float
    expression: tuple[tuple[int, float], ...] = ()
    in_mix: bool = True


class Source(Protocol):
    """Where buses get their recordings from."""

    def prefetch(self, keys: Iterable[NoteKey]) -> None:
        """Hear which keys will be wanted soon."""

    def get(self, key: NoteKey, now: int) -> tuple[Sound, ...]:
        """Return what sounds of a note; the mix is at `now`."""


def pan_gains(pan: float) -> tuple[float, float]:
    """Return the gains of left and right for a stereo balance that keeps the power.

    >>> [round(gain, 3) for gain in pan_gains(0.0)]
    [1.0, 1.0]
    >>> [round(gain, 3) for gain in pan_gains(-1.0)]
    [1.414, 0.0]
    """
    angle = (max(-1.0, min(1.0, pan)) + 1) * math.pi / 4
    left, right = math.cos(angle), math.sin(angle)
    return left * math.sqrt(2), max(0.0, right) * math.sqrt(2)


def expression_gain(value: int) -> float:
    """Return the linear gain of expression (controller 11), 0 to 127.

    The default modulator of the SoundFont specification (2.04, section 8.4.6): 960 cB through a
    concave curve, which is a gain of (value / 127) squared.

    >>> expression_gain(127), round(20 * math.log10(expression_gain(64)), 1)
    (1.0, -11.9)
    """
    return (value / 127) ** 2


@cache
def damping(rate_hz: int) -> "NDArray[np.float32]":
    """Return how the level falls where a hand stops what rings."""
    import numpy as np

    turns = np.linspace(0, math.pi / 2, round(DAMP_S * rate_hz))
    falling: NDArray[np.float32] = (np.cos(turns) ** 2).astype(np.float32)
    return falling


_Note = tuple[int, bytes, Sound]
"""Where something that sounds of a note ends, how it is packed, and what keeps its memory."""


class Bus:
    """What one channel plays, block after block; its gain and pan come behind it."""

    def __init__(self, channel: Channel, rate_hz: int, source: Source) -> None:
        self.channel = channel
        self._source = source
        self._damping = damping(rate_hz)
        self._next = self._asked = 0
        self._last = 0
        self._sounding: list[_Note] = []
        self._expression = _expression_curve(channel.expression, round(RAMP_S * rate_hz))

    @property
    def to_place(self) -> tuple[Placement, ...]:
        """What it needs recordings for."""
        return self.channel.placements

    @property
    def ends(self) -> int | None:
        """The sample from which on it is silent; None while not all is placed."""
        return self._last if self._next == len(self.channel.placements) else None

    def prepare(self, end: int) -> None:
        """Ask for the recordings of what starts before sample `end`."""
        keys = []
        placements = self.channel.placements
        while self._asked < len(placements) and placements[self._asked].start_sample < end:
            keys.append(placements[self._asked].key)
            self._asked += 1
        self._source.prefetch(keys)

    def block(self, start: int, frames: int) -> Dry:
        """Return what sounds from sample `start` on."""
        end = start + frames
        placements = self.channel.placements
        get, sounding = self._source.get, self._sounding
        while self._next < len(placements) and placements[self._next].start_sample < end:
            first, key, cut = placements[self._next]
            for sound in get(key, start):
                note = self._note(first, cut, sound)
                sounding.append(note)
                self._last = max(self._last, note[0])
            self._next += 1
        self._sounding = [note for note in sounding if note[0] > end]
        times, levels = self._corners(start, end) if self.channel.expression else (None, None)
        return Dry(b"".join([packed for _, packed, _ in sounding]), times, levels, kept=sounding)

    def _note(self, first: int, cut: int | None, sound: Sound) -> _Note:
        frames, fade, fade_from = sound.frames, 0, 0
        if cut is not None and cut < first + frames:
            fade, fade_from = self._damping.ctypes.data, cut - first
            frames = min(frames, fade_from + len(self._damping))
        packed = packed_sounding(
            sound.left, sound.right, first, frames,
            sound.curve, sound.curve_from, fade, fade_from, sound.gain, 0,
        )  # fmt: skip
        return first + frames, packed, sound

    def _corners(self, start: int, end: int) -> "tuple[NDArray[np.int64], NDArray[np.float32]]":
        """Return the corners of the curve of expression that matter between two samples."""
        times, levels = self._expression
        # Not `searchsorted`, which lets other threads go first and waits for them.
        first, last = bisect_right(times, start) - 1, bisect_left(times, end) + 1
        return times[first:last] - start, levels[first:last]


def _expression_curve(
    expression: tuple[tuple[int, float], ...], ramp_frames: int
) -> "tuple[NDArray[np.int64], NDArray[np.float32]]":
    """Return the corners of the gain curve: each step is spread over a ramp, lest it click."""
    import numpy as np

    times, levels, before = [0], [1.0], 1.0
    for sample, level in expression:
        times += [max(times[-1], sample), max(times[-1], sample + ramp_frames)]
        levels += [before, level]
        before = level
    return np.array(times, np.int64), np.array(levels, np.float32)
