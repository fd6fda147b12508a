"""The dry signal of a part, kept for the next track that plays the same: drums in another key."""

from collections.abc import Hashable
from typing import TYPE_CHECKING

from generator.sound.mix import Bus, Channel
from generator.sound.native import Dry, play
from generator.sound.notes import Placement

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Reel", "ReelBus"]


class Reel:
    """Blocks of one signal, (2, frames) each, and whose they are.

    Attributes
    ----------
    ends : int or None
        The sample from which on the signal is silent; None while that is not known.
    """

    def __init__(self) -> None:
        self.ends: int | None = None
        self._of: Hashable = None
        self._blocks: list[NDArray[np.float32]] = []
        self._used = self._frames = 0

    def holds(self, channel: Channel) -> bool:
        """Return whether it holds all that this channel plays."""
        whole = self.ends is not None and self._frames >= self.ends
        return whole and self._of == _signal(channel)

    def erase_for(self, channel: Channel) -> None:
        """Begin anew, with what this channel will play."""
        self._of, self.ends = _signal(channel), None
        self._used = self._frames = 0

    def block(self, index: int) -> "NDArray[np.float32]":
        """Return a block that is there."""
        return self._blocks[index]

    def blank(self, frames: int) -> "NDArray[np.float32]":
        """Return where the next block is to be made."""
        import numpy as np

        if self._used == len(self._blocks) or self._blocks[self._used].shape[1] != frames:
            del self._blocks[self._used :]
            self._blocks.append(np.empty((2, frames), np.float32))
        self._used += 1
        self._frames += frames
        return self._blocks[self._used - 1]


class ReelBus:
    """A bus that is played from a reel if it holds its signal, and put on it otherwise."""

    def __init__(self, bus: Bus, reel: Reel) -> None:
        self.channel: Channel = bus.channel
        self._bus, self._reel = bus, reel
        self._is_there = reel.holds(bus.channel)
        if not self._is_there:
            reel.erase_for(bus.channel)

    @property
    def to_place(self) -> tuple[Placement, ...]:
        """What it needs recordings for."""
        return () if self._is_there else self._bus.to_place

    @property
    def ends(self) -> int | None:
        """The sample from which on it is silent; None while not all is placed."""
        return self._reel.ends

    def prepare(self, end: int) -> None:
        """Ask for the recordings of what starts before sample `end`."""
        if not self._is_there:
            self._bus.prepare(end)

    def block(self, start: int, frames: int) -> Dry:
        """Return what sounds from sample `start` on."""
        reel = self._reel
        if reel.ends is not None and start >= reel.ends:
            return Dry()
        if self._is_there:
            return Dry(ready=reel.block(start // frames))
        dry = self._bus.block(start, frames)
        rows = reel.blank(frames)
        play(dry, start, rows)
        reel.ends = self._bus.ends
        return Dry(ready=rows)


def _signal(channel: Channel) -> Hashable:
    """Return what decides how a channel sounds before its gains."""
    return channel.placements, channel.expression
