"""Recorded notes kept on disk between runs: named by content, checked, bounded, shared.

One file holds one recording. Its name is the SHA-256 of everything that decides how the note
sounds (font, rate, tuning, key, and the version of this layout); its head holds a CRC-32 of the
samples. Files appear whole (temporary name, then rename), so that several processes may use one
folder; a file that does not hold is noticed, removed and made anew. Nothing here may fail a
render: when the folder cannot be used, notes are simply recorded again.
"""

import contextlib
import hashlib
import os
import struct
import tempfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING

from generator.sound.notes import NoteKey

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["DEFAULT_LIMIT_BYTES", "NoteCache", "clear_cache", "kept_notes"]

_MAGIC = b"chartbed note 2\n"
_ENDING = ".note"
_HEAD = struct.Struct("<16sIII")
DEFAULT_LIMIT_BYTES = 512 << 20
"""How much a cache folder holds unless told otherwise."""
_KEEP_SHARE = 0.8


def kept_notes(folder: Path) -> tuple[int, int]:
    """Return how many recordings a cache folder holds, and their bytes."""
    sizes = [path.stat().st_size for path in folder.glob(f"*/*{_ENDING}")]
    return len(sizes), sum(sizes)


def clear_cache(folder: Path) -> None:
    """Remove every recording of a cache folder, and nothing else that lies there."""
    for path in folder.glob(f"*/*{_ENDING}"):
        path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            path.parent.rmdir()


class NoteCache:
    """A folder of recordings.

    Parameters
    ----------
    folder : Path
        Made when first written to.
    font : Path
        Its size and time of change stand for its content: hashing 140 MB would cost more than
        most renders.
    rate_hz : int
    tuning_hz : float
    limit_bytes : int
        When the folder holds more at `close`, the files that were used longest ago go.
    """

    def __init__(
        self,
        folder: Path,
        font: Path,
        *,
        rate_hz: int,
        tuning_hz: float,
        limit_bytes: int = DEFAULT_LIMIT_BYTES,
    ) -> None:
        status = font.stat()
        self._folder = folder
        self._limit_bytes = limit_bytes
        self._common = (
            f"{font.resolve()}/{status.st_size}/{status.st_mtime_ns}/{rate_hz}/{tuning_hz!r}"
        )
        self._written = False

    def get(self, key: NoteKey) -> "NDArray[np.float32] | None":
        """Return a recording, or None if it is not there or does not hold."""
        import numpy as np

        path = self._path(key)
        try:
            data = path.read_bytes()
        except OSError:
            return None
        if len(data) >= _HEAD.size:
            magic, checksum, rows, frames = _HEAD.unpack_from(data)
            samples = memoryview(data)[_HEAD.size :]
            if (
                magic == _MAGIC
                and rows in (1, 2)
                and len(samples) == 4 * rows * frames
                and zlib.crc32(samples) == checksum
            ):
                with contextlib.suppress(OSError):
                    os.utime(path)  # used now: goes last when the folder is full
                return np.frombuffer(samples, np.float32).reshape(rows, frames)
        with contextlib.suppress(OSError):
            path.unlink()
        return None

    def put(self, key: NoteKey, sound: "NDArray[np.float32]") -> None:
        """Keep a recording; silently not, when the folder cannot be written."""
        samples = sound.tobytes()
        head = _HEAD.pack(_MAGIC, zlib.crc32(samples), *sound.shape)
        path = self._path(key)
        with contextlib.suppress(OSError):
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=".unfinished-")
            try:
                with open(handle, "wb") as file:
                    file.write(head)
                    file.write(samples)
                os.replace(name, path)
                self._written = True
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise

    def close(self) -> None:
        """Bring the folder back under its limit, if this run has added to it."""
        if not self._written:
            return
        files = []
        for path in self._folder.glob(f"*/*{_ENDING}"):
            with contextlib.suppress(OSError):
                status = path.stat()
                files.append((status.st_mtime_ns, status.st_size, path))
        total = sum(size for _, size, _ in files)
        if total <= self._limit_bytes:
            return
        for _, size, path in sorted(files):
            if total <= _KEEP_SHARE * self._limit_bytes:
                break
            with contextlib.suppress(OSError):
                path.unlink()
            total -= size

    def _path(self, key: NoteKey) -> Path:
        name = hashlib.sha256(f"{self._common}/{key!r}".encode()).hexdigest()
        return self._folder / name[:2] / f"{name}{_ENDING}"
