"""A long track from a short mix: stretches of it that come again, joined where nobody can tell.

Before a joint the sound fades from where it was to where it goes on. Both are the same music, note
for note; what still rings has begun alike, too. A note may lie a sample off, which a fade hides and
a cut would not.
"""

from typing import TYPE_CHECKING, NamedTuple

from generator.sound.spool import Spool

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Joint", "Spliced"]

FADE_FRAMES = 2048


class Joint(NamedTuple):
    """From `at_s` of the track on, it sounds as the mix does `back_s` earlier.

    Joints stand in order of time, and the sound around each is the same on both sides of it.
    """

    at_s: float
    back_s: float


class Spliced:
    """A spool whose blocks are read as if all of a long track were in it.

    Parameters
    ----------
    spool : Spool
    joints : tuple of Joint
    rate_hz : int
    """

    def __init__(self, spool: Spool, joints: tuple[Joint, ...], rate_hz: int) -> None:
        import numpy as np

        self.block_frames = spool.block_frames
        self._spool = spool
        self._ats = [0, *(round(joint.at_s * rate_hz) for joint in joints)]
        self._backs = [0, *(round(joint.back_s * rate_hz) for joint in joints)]
        frames = spool.blocks * spool.block_frames + self._backs[-1]
        self.blocks = -(-frames // spool.block_frames)
        self._rising = np.linspace(0, 1, FADE_FRAMES, dtype=np.float32)

    def close(self) -> None:
        """Free the memory and the disk space."""
        self._spool.close()

    def read(self, index: int) -> "NDArray[np.float32]":
        """Return a block, not to be changed; several threads may read."""
        import numpy as np

        block = np.empty((2, self.block_frames), np.float32)
        start, end = index * self.block_frames, (index + 1) * self.block_frames
        ends = [*self._ats[1:], end]
        for n, (first, last, back) in enumerate(zip(self._ats, ends, self._backs, strict=True)):
            first, last = max(first, start), min(last, end)
            if first < last:
                self._spool.fill(block[:, first - start : last - start], first - back)
            if n:
                self._fade(block, start, n)
        return block

    def _fade(self, block: "NDArray[np.float32]", start: int, n: int) -> None:
        """Fade, in place, what lies before joint `n` in a block towards what comes behind it."""
        import numpy as np

        begins = self._ats[n] - FADE_FRAMES
        first = max(begins, start)
        last = min(self._ats[n], start + self.block_frames)
        if first >= last:
            return
        after = np.empty((2, last - first), np.float32)
        self._spool.fill(after, first - self._backs[n])
        before = block[:, first - start : last - start]
        before += (after - before) * self._rising[first - begins : last - begins]
