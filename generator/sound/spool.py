"""Unlevelled sound on its way, so that memory stays bounded: first in memory, then in a file."""

import mmap
import tempfile
from io import FileIO
from typing import TYPE_CHECKING, Any, Protocol

from generator.errors import OutputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Blocks", "Spool"]

_CHUNK_FRAMES = 8 * 1920 * 64
_MOST_CHUNKS = 17  # 134 MB, six minutes at 44.1 kHz


class Blocks(Protocol):
    """Blocks of sound that can be read."""

    block_frames: int
    blocks: int

    def read(self, index: int) -> "NDArray[np.float32]":
        """Return a block, (2, `block_frames`), not to be changed; several threads may read."""

    def fill(self, to: "NDArray[np.float32]", start: int) -> None:
        """Copy what lies from sample `start` on into (2, frames), silence behind the last block."""

    def close(self) -> None:
        """Free what holds them."""


class Spool:
    """Blocks of equal length, (2, frames) of float32, written once and read in any order.

    Parameters
    ----------
    block_frames : int
    memory : list of array, optional
        Chunks of memory of an earlier spool, which come back when it is closed: what comes first is
        kept there. Without the list all goes to a temporary file, which costs less than memory
        that is used once.
    """

    def __init__(
        self, block_frames: int, memory: "list[NDArray[np.float32]] | None" = None
    ) -> None:
        self.block_frames = block_frames
        self.blocks = 0
        self._chunk_blocks = max(1, _CHUNK_FRAMES // block_frames)
        self._kept_blocks = 0 if memory is None else _MOST_CHUNKS * self._chunk_blocks
        self._chunks: list[NDArray[np.float32]] = []
        self._blank: NDArray[np.float32] | None = None
        self._spare = [] if memory is None else memory
        self._file: FileIO | None = None
        self._mapped: tuple[int, Any] = -1, None

    def close(self) -> None:
        """Free the memory and the disk space."""
        self._spare += self._chunks
        self._chunks.clear()
        self._mapped = -1, None
        if self._file:
            self._file.close()

    def blank(self) -> "NDArray[np.float32]":
        """Return where the next block is to be made; it is kept by `keep` and gone after that."""
        import numpy as np

        if self.blocks < self._kept_blocks:
            # Large pieces: fewer page faults.
            if self.blocks == len(self._chunks) * self._chunk_blocks:
                shape = (self._chunk_blocks, 2, self.block_frames)
                self._chunks.append(
                    self._spare.pop().reshape(shape) if self._spare else np.empty(shape, np.float32)
                )
            kept: NDArray[np.float32] = self._chunks[-1][self.blocks % self._chunk_blocks]
            return kept
        if self._blank is None:
            self._blank = np.empty((2, self.block_frames), np.float32)
        return self._blank

    def keep(self) -> None:
        """Keep what was made in the last `blank` behind the blocks before it.

        Raises
        ------
        OutputError
            If the disk is full.
        """
        if self.blocks >= self._kept_blocks:
            self._write(self.blank())
            self._mapped = -1, None  # may be less than is there now
        self.blocks += 1

    def read(self, index: int) -> "NDArray[np.float32]":
        """Return a block, not to be changed; several threads may read."""
        if self._file is None or index < self._kept_blocks:
            chunk, place = divmod(index, self._chunk_blocks)
            kept: NDArray[np.float32] = self._chunks[chunk][place]
            return kept
        chunk, place = divmod(index - self._kept_blocks, self._chunk_blocks)
        mapped, blocks = self._mapped
        if mapped != chunk:
            blocks = self._map(self._file, chunk)
            self._mapped = chunk, blocks
        found: NDArray[np.float32] = blocks[place]
        return found

    def fill(self, to: "NDArray[np.float32]", start: int) -> None:
        """Copy what lies from sample `start` on into (2, frames), silence behind the last block."""
        done, frames = 0, to.shape[1]
        while done < frames:
            index, first = divmod(start + done, self.block_frames)
            piece = to[:, done : done + self.block_frames - first]
            if index >= self.blocks:
                piece[:] = 0
            else:
                piece[:] = self.read(index)[:, first : first + piece.shape[1]]
            done += piece.shape[1]

    def _map(self, file: FileIO, chunk: int) -> "NDArray[np.float32]":
        """Return blocks of the file, mapped: what the system has in memory is not copied again."""
        import numpy as np

        first = chunk * self._chunk_blocks
        count = min(self._chunk_blocks, self.blocks - self._kept_blocks - first)
        octets = 2 * self.block_frames * np.dtype(np.float32).itemsize
        start = first * octets
        before = start % mmap.ALLOCATIONGRANULARITY
        length = before + count * octets
        pages = mmap.mmap(file.fileno(), length, access=mmap.ACCESS_READ, offset=start - before)
        blocks = np.frombuffer(pages, np.float32, offset=before)
        return blocks.reshape(count, 2, self.block_frames)

    def _write(self, block: "NDArray[np.float32]") -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115, see `close`
            octets = block.data.cast("B")
            while octets:
                octets = octets[self._file.write(octets) :]
        except OSError as error:
            raise OutputError(
                f"{tempfile.gettempdir()}: no room for the unlevelled sound ({error.strerror}); "
                "free some space, or let TMPDIR name a folder on another disk"
            ) from error
