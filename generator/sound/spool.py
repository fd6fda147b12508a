"""Unlevelled sound on its way: float blocks in a temporary file, so that memory stays bounded."""

import tempfile
from typing import TYPE_CHECKING

from generator.errors import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Spool"]

_FRAME_BYTES = 8


class Spool:
    """Blocks of equal length, (2, frames) of float32, written once and read in any order."""

    def __init__(self, block_frames: int) -> None:
        self.block_frames = block_frames
        self.blocks = 0
        self._file = tempfile.TemporaryFile()  # noqa: SIM115, closed by `close`

    def close(self) -> None:
        """Free the disk space."""
        self._file.close()

    def append(self, block: "NDArray[np.float32]") -> None:
        """Write one block behind the others.

        Raises
        ------
        OutputError
            If the disk is full.
        """
        try:
            self._file.write(block.data if block.flags.c_contiguous else block.tobytes())
        except OSError as error:
            raise OutputError(
                f"{tempfile.gettempdir()}: no room for the unlevelled sound ({error.strerror}); "
                "free some space, or let TMPDIR name a folder on another disk"
            ) from error
        self.blocks += 1

    def read(self, index: int) -> "NDArray[np.float32]":
        """Return a block, to be changed at will."""
        import numpy as np

        block = np.empty((2, self.block_frames), np.float32)
        self._file.seek(index * self.block_frames * _FRAME_BYTES)
        self._file.readinto(block.data.cast("B"))
        return block
