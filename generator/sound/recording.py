"""A recorded note in memory: 16 bits a sample and a scale of its own; and how a note plays it.

That is 98 dB below the peak of each note, 92 or more where it swells, finer than anything placed
beside it lets hear, in half the memory of floats: what is kept at once decides how many notes have
to be played again.
"""

from typing import TYPE_CHECKING, NamedTuple

from generator.sound import native
from generator.sound.native import SPAN

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Fade", "Recording", "Sound"]

_FULL = 32_767


class Recording:
    """A recorded note.

    Parameters
    ----------
    samples : array of int16, (1 or 2, frames)
        Not to be changed.
    scale : float
        What a sample of 1 stands for.
    scaled_by : int, optional
        Of how many samples, or more, the recording has this scale; of all unless given.

    Attributes
    ----------
    frames : int
    left, right : int
        Where in memory the sides begin, the same where there is only one row.
    """

    __slots__ = ("frames", "left", "right", "samples", "scale", "scaled_by")

    def __init__(
        self, samples: "NDArray[np.int16]", scale: float, scaled_by: int | None = None
    ) -> None:
        self.samples, self.scale = samples, scale
        rows, self.frames = samples.shape
        self.scaled_by = self.frames if scaled_by is None else scaled_by
        self.left = native.address(samples)
        self.right = self.left + (rows - 1) * samples.strides[0]

    @property
    def own_bytes(self) -> int:
        """The memory that is there for it alone: none where it lies in a file of the cache."""
        return self.samples.nbytes if self.samples.flags.owndata else 0

    @classmethod
    def of(
        cls,
        sound: "NDArray[np.float32]",
        *,
        full_scale: float,
        same: bool,
        scaled_by: int | None = None,
    ) -> "Recording":
        """Return the recording of (2, frames), none above `full_scale`; one row of two alike."""
        factor = _FULL / full_scale if full_scale else 0.0
        samples = native.quantised(sound[: 1 if same else 2], factor)
        return cls(samples, full_scale / _FULL, scaled_by)

    def beginning(self, frames: int) -> "Recording | None":
        """Return the recording of no more than the first `frames`, bit for bit.

        None where they do not reach the same scale: that has to be recorded anew.
        """
        if frames >= self.frames:
            return self
        if frames < self.scaled_by:
            return None
        return Recording(self.samples[:, :frames], self.scale, self.scaled_by)

    def decoded(self) -> "NDArray[np.float32]":
        """Return the samples as floats."""
        import numpy as np

        return self.samples.astype(np.float32) * np.float32(self.scale)


class Fade(NamedTuple):
    """How a recording falls silent: its gain at the borders of blocks, from sample `start` on.

    `address` is where the curve lies in memory.
    """

    curve: "NDArray[np.float32]"
    start: int
    address: int

    @property
    def end(self) -> int:
        """The sample where it is silent."""
        return self.start + SPAN * (len(self.curve) - 1)

    @property
    def held_blocks(self) -> int:
        """For how long a key has to be held for it."""
        return -(-self.end // SPAN)


class Sound:
    """A recording as a note plays it.

    Parameters
    ----------
    recording : Recording
    gain : float
        Of the whole of it.
    fade : Fade, optional
        Without one the recording is played to its end.

    Attributes
    ----------
    frames : int
        How long it sounds.
    left, right, gain : int, int, float
        Where its samples lie, as in `Recording`, and what one of 1 stands for.
    curve, curve_from : int
        The address of the curve, or 0, and the sample that it starts at.
    """

    __slots__ = ("_fade", "curve", "curve_from", "frames", "gain", "left", "recording", "right")

    def __init__(
        self,
        recording: Recording,
        gain: float = 1.0,
        fade: Fade | None = None,
    ) -> None:
        self.recording, self._fade = recording, fade
        self.left, self.right = recording.left, recording.right
        self.gain = gain * recording.scale
        self.frames, self.curve, self.curve_from = recording.frames, 0, 0
        if fade:
            self.curve, self.curve_from = fade.address, fade.start
            self.frames = min(self.frames, fade.end)
