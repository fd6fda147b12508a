"""A long track from a short mix: stretches of it that come again, joined where nobody can tell.

Before a joint the sound fades from where it was to where it goes on. Both are the same music, note
for note; what still rings has begun alike, too. A note may lie a sample off, which a fade hides and
a cut would not.
"""

from typing import TYPE_CHECKING, NamedTuple

from generator.sound.spool import Blocks

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["FADE_FRAMES", "Joint", "Spliced", "runs"]

FADE_FRAMES = 256
"""Long enough that no step is heard, and so short that treble, which a sample's shift halves in the
middle of a fade, is not missed."""


class Joint(NamedTuple):
    """From `at_s` of the track on, it sounds as the mix does `back_s` earlier.

    Joints stand in order of time, and the sound around each is the same on both sides of it.
    """

    at_s: float
    back_s: float


class Run(NamedTuple):
    """Samples from `start` to `end` of the track, which the mix has `back` samples earlier."""

    start: int
    end: int
    back: int


def runs(joints: tuple[Joint, ...], frames: int, rate_hz: int) -> tuple[Run, ...]:
    """Return what a track is made of, joint by joint; `frames` is the length of the mix."""
    starts = [0, *(round(joint.at_s * rate_hz) for joint in joints)]
    backs = [0, *(round(joint.back_s * rate_hz) for joint in joints)]
    ends = [*starts[1:], frames + backs[-1]]
    return tuple(map(Run._make, zip(starts, ends, backs, strict=True)))


class Spliced:
    """Blocks that are read as if all of a long track were in a spool.

    Parameters
    ----------
    spool : Blocks
    runs : tuple of Run
        What the track is made of.
    """

    def __init__(self, spool: Blocks, runs: tuple[Run, ...]) -> None:
        import numpy as np

        self.block_frames = spool.block_frames
        self._spool = spool
        self._runs = runs
        self.blocks = -(-self._runs[-1].end // spool.block_frames)
        self._rising = np.linspace(0, 1, FADE_FRAMES, dtype=np.float32)

    def close(self) -> None:
        """Free the memory and the disk space."""
        self._spool.close()

    def read(self, index: int) -> "NDArray[np.float32]":
        """Return a block, not to be changed; several threads may read."""
        import numpy as np

        block = np.empty((2, self.block_frames), np.float32)
        self.fill(block, index * self.block_frames)
        return block

    def fill(self, to: "NDArray[np.float32]", start: int) -> None:
        """Copy what lies from sample `start` on into (2, frames), silence behind the last block."""
        import numpy as np

        end = start + to.shape[1]
        to[:, max(0, self._runs[-1].end - start) :] = 0
        for run in self._runs:
            first, last = max(run.start, start), min(run.end, end)
            if first < last:
                self._spool.fill(to[:, first - start : last - start], first - run.back)
            first, last = max(run.start - FADE_FRAMES, start), min(run.start, end)
            if first < last:  # never so in the first run
                after = np.empty((2, last - first), np.float32)
                self._spool.fill(after, first - run.back)
                fading = to[:, first - start : last - start]
                place = first - (run.start - FADE_FRAMES)
                fading += (after - fading) * self._rising[place : place + last - first]
