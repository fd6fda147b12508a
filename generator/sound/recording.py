"""A recorded note in memory: 16 bits a sample and a scale of its own.

That is 98 dB below the peak of each note, finer than anything placed beside it lets hear, in half
the memory of floats: what is kept at once decides how many notes have to be played again.
"""

from typing import TYPE_CHECKING

from generator.sound import native

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Recording"]

_FULL = 32_767


class Recording:
    """A recorded note.

    Parameters
    ----------
    samples : array of int16, (1 or 2, frames)
        Not to be changed.
    scale : float
        What a sample of 1 stands for.

    Attributes
    ----------
    frames : int
    left, right : int
        Where in memory the sides begin, the same where there is only one row.
    """

    __slots__ = ("frames", "left", "right", "samples", "scale")

    def __init__(self, samples: "NDArray[np.int16]", scale: float) -> None:
        self.samples, self.scale = samples, scale
        rows, self.frames = samples.shape
        self.left = samples.ctypes.data
        self.right = self.left + (rows - 1) * samples.strides[0]

    @classmethod
    def of(cls, sound: "NDArray[np.float32]") -> "Recording":
        """Return the recording of (1 or 2, frames); one row where both are the same."""
        peak, same = native.survey(sound)
        samples = native.quantised(sound[: 1 if same else 2], _FULL / peak if peak else 0.0)
        return cls(samples, peak / _FULL)

    def decoded(self) -> "NDArray[np.float32]":
        """Return the samples as floats."""
        import numpy as np

        return self.samples.astype(np.float32) * np.float32(self.scale)
