"""Recorded notes kept on disk between runs: named by content, checked, bounded, shared.

A track adds at most one file: the recordings it had to make, one after the other, then an index and
a seal. Its name starts with the hash of everything but the note itself that decides how notes
sound (content of the font, version of FluidSynth, rate, tuning, and this layout), so a run reads
the indexes of its own kind only. Recordings are mapped, not read: processes share the memory.
Files appear whole (temporary name, then rename), so that several processes may use one folder; a
recording that does not hold its checksum is noticed, its file removed, and made anew. Nothing here
may fail a render: when the folder cannot be used, notes are simply recorded again.
"""

import contextlib
import hashlib
import mmap
import os
import struct
import tempfile
import threading
import time
import zlib
from bisect import bisect_right
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from generator.sound.known import font_hash, synth_version
from generator.sound.notes import HELD_BLOCKS, NoteKey
from generator.sound.page_sums import page_sums
from generator.sound.recording import Recording

__all__ = ["DEFAULT_LIMIT_BYTES", "NoteCache", "clear_cache", "kept_notes"]

_MAGIC = b"chartbed notes 9"
_ENDING = ".notes"
_UNFINISHED = ".unfinished-"
_ENTRY = struct.Struct("<8iQIIIId")
"""Of the index: the key; of its recording offset, checksum, rows, frames, by when it has this
scale, and scale."""
_ALIGNED = 64
"""Recordings begin at multiples of so many bytes."""
_SEAL = struct.Struct("<II16s")
"""The last bytes of a file: number of entries, CRC-32 of the index, magic."""
DEFAULT_LIMIT_BYTES = 512 << 20
"""How much a cache folder holds unless told otherwise."""
_KEEP_SHARE = 0.8
_MOST_MAPPED_BYTES = 512 << 20
"""What a process that makes many tracks may have of the files in sight when one is done."""
_SEALED_BYTES = 8 << 20
"""After so much a file is sealed: what other processes record meanwhile is found there."""
_HOUR_S, _DAY_S = 3_600.0, 86_400.0

_Key = tuple[int, ...]
"""Equal to its `NoteKey`, and sooner made."""
_Entry = tuple[int, int, int, int, int, float]
_Place = tuple[Path, mmap.mmap, _Entry]


def kept_notes(folder: Path) -> tuple[int, int]:
    """Return how many recordings a cache folder holds, and the bytes of its files."""
    count = size_bytes = 0
    for path in folder.glob(f"*{_ENDING}"):
        with contextlib.suppress(OSError):
            size_bytes += path.stat().st_size
            count += sum(1 for _ in _mapped(path)[1])
    return count, size_bytes


def clear_cache(folder: Path) -> None:
    """Remove every recording of a cache folder, and nothing else that lies there."""
    for path in (*folder.glob(f"*{_ENDING}"), *folder.glob(f"{_UNFINISHED}*")):
        with contextlib.suppress(OSError):
            path.unlink()


class NoteCache:
    """A folder of recordings; its methods may be called from several threads.

    Parameters
    ----------
    folder : Path
        Made when first written to.
    font : Path
        Known by its content; the hash is kept beside the notes under path, size and time.
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
        self._folder, self._font, self._limit_bytes = folder, font, limit_bytes
        self._tuning = f"{rate_hz}/{tuning_hz!r}"
        self._lock = threading.Lock()
        self._prefix = ""
        self._notes: dict[_Key, _Place] = {}
        self._new: IO[bytes] | None = None
        self._new_path = folder
        self._put: set[NoteKey] = set()
        self._known: dict[Path, mmap.mmap] = {}
        self._checked: set[tuple[Path, int]] = set()
        self._index = b""
        self._changed_ns = 0

    def open(self) -> None:
        """Find what is there; the first question does it else, and waits."""
        with self._lock:
            self._open()

    def get(self, key: NoteKey) -> Recording | None:
        """Return a recording, or None if it is not there or does not hold."""
        import numpy as np

        place = self._find(key)
        if place is None:
            return None
        path, content, (offset, checksum, rows, frames, scaled_by, scale) = place
        samples = memoryview(content)[offset : offset + 2 * rows * frames]
        if (path, offset) in self._checked or _checksum(samples) == checksum:
            self._checked.add((path, offset))
            shaped = np.frombuffer(samples, np.int16).reshape(rows, frames)
            return Recording(shaped, scale, scaled_by)
        with self._lock, contextlib.suppress(OSError):
            self._notes = {k: kept for k, kept in self._notes.items() if kept[0] != path}
            path.unlink(missing_ok=True)
        return None

    def scale(self, key: NoteKey) -> float | None:
        """Return the scale of a recording, its samples unseen; None if it is not there."""
        place = self._find(key)
        return place[2][-1] if place else None

    def _find(self, key: NoteKey) -> _Place | None:
        with self._lock:
            self._open()
            place = self._notes.get(key)
            if place is None and self._has_changed():
                self._look()
                place = self._notes.get(key)
        return place

    def held_longer(self, key: NoteKey) -> Recording | None:
        """Return a recording of the same key held for longer, or None as `get` does."""
        with self._lock:
            self._open()
            # Mostly there is nothing at all yet where something has to be recorded.
            lengths = HELD_BLOCKS if self._notes else ()
            others = (
                key._replace(duration_blocks=blocks)
                for blocks in lengths[bisect_right(lengths, key.duration_blocks) :]
            )
            longer = next((other for other in others if other in self._notes), None)
        return self.get(longer) if longer else None

    def put(self, key: NoteKey, sound: Recording) -> None:
        """Keep a recording; silently not, when the folder cannot be written."""
        samples = sound.samples
        checksum = _checksum(samples.data)
        with self._lock, contextlib.suppress(OSError):
            self._open()
            if key in self._put:
                return
            if self._new is None:
                self._folder.mkdir(parents=True, exist_ok=True)
                handle, name = tempfile.mkstemp(dir=self._folder, prefix=_UNFINISHED)
                self._new = open(handle, "wb")  # noqa: SIM115, closed by `close`
                self._new_path = Path(name)
            offset = self._new.tell()
            self._new.write(samples.data)
            self._new.write(bytes(-samples.nbytes % _ALIGNED))
            place = offset, checksum, *samples.shape, sound.scaled_by
            self._index += _ENTRY.pack(*key, *place, sound.scale)
            self._put.add(key)
            if self._new.tell() > _SEALED_BYTES:
                self._write_seal()

    def close(self) -> None:
        """Seal what was added, bring the folder under its limit, and let go of everything."""
        self._write_seal()
        for kept in (self._notes, self._known, self._checked):
            kept.clear()

    def seal(self) -> None:
        """Let others see what was added since the last time, and see what they have added.

        Brings the folder back under its limit too.
        """
        with self._lock:
            self._write_seal()
            if self._prefix:
                self._look()
            contents = [*self._known.values()]
        # What was read stays in the system's memory but counts no longer as ours.
        if sum(map(len, contents)) > _MOST_MAPPED_BYTES:
            for content in contents:
                if hasattr(content, "madvise"):
                    content.madvise(mmap.MADV_DONTNEED)

    def _write_seal(self) -> None:
        if self._new is None:
            return
        seal = _SEAL.pack(len(self._index) // _ENTRY.size, zlib.crc32(self._index), _MAGIC)
        name = self._new_path.name.removeprefix(_UNFINISHED)
        try:
            with self._new as file:
                file.write(self._index + seal)
            self._new_path.replace(self._folder / f"{self._prefix}-{name}{_ENDING}")
        except OSError:
            with contextlib.suppress(OSError):
                self._new_path.unlink()
        self._new, self._index = None, b""
        self._make_room()

    def _open(self) -> None:
        if self._prefix:
            return
        font, synth = font_hash(self._font, self._folder), synth_version(self._folder)
        common = f"{font}/{synth}/{self._tuning}"
        self._prefix = hashlib.sha256(f"{_MAGIC!r}/{common}".encode()).hexdigest()[:32]
        self._look()

    def _has_changed(self) -> bool:
        """Return whether files have come or gone since they were looked for."""
        try:
            return self._folder.stat().st_mtime_ns != self._changed_ns
        except OSError:
            return False

    def _look(self) -> None:
        """Read the indexes that are new."""
        with contextlib.suppress(OSError):
            self._changed_ns = self._folder.stat().st_mtime_ns
        for path in self._folder.glob(f"{self._prefix}-*{_ENDING}"):
            if path in self._known:
                continue
            with contextlib.suppress(OSError):
                content, entries = _mapped(path)
                self._notes |= {key: (path, content, entry) for key, entry in entries}
                self._known[path] = content
                if time.time() - path.stat().st_mtime > _HOUR_S:
                    os.utime(path)  # used now: goes last when the folder is full

    def _make_room(self) -> None:
        files = []
        for path in self._folder.iterdir():
            with contextlib.suppress(OSError):
                status = path.stat()
                if path.suffix == _ENDING:
                    files.append((status.st_mtime_ns, status.st_size, path))
                elif path.name.startswith(_UNFINISHED) and time.time() - status.st_mtime > _DAY_S:
                    path.unlink()  # of a run that was killed
        total = sum(size for _, size, _ in files)
        if total <= self._limit_bytes:
            return
        for _, size, path in sorted(files):
            if total <= _KEEP_SHARE * self._limit_bytes:
                break
            with contextlib.suppress(OSError):
                path.unlink()
            total -= size


def _checksum(samples: memoryview) -> int:
    """Return what tells samples from damaged ones: a CRC-32 of the sums of their pages.

    Ten times faster than one of all that there is, and every page still counts, where it stands.
    """
    return zlib.crc32(page_sums(samples))


def _mapped(path: Path) -> tuple[mmap.mmap, Iterator[tuple[_Key, _Entry]]]:
    """Map a file; return it with the keys and entries of its index.

    Raises
    ------
    OSError
        If it cannot be read or its index does not hold; then it is removed.
    """
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        content = mmap.mmap(file.fileno(), size, access=mmap.ACCESS_READ) if size else None
    if content is not None and size >= _SEAL.size:
        count, checksum, magic = _SEAL.unpack_from(content, size - _SEAL.size)
        start = size - _SEAL.size - count * _ENTRY.size
        index = content[max(0, start) : size - _SEAL.size]
        if magic == _MAGIC and start >= 0 and zlib.crc32(index) == checksum:
            found = _ENTRY.iter_unpack(index)
            return content, ((entry[:8], entry[8:]) for entry in found)
    path.unlink()
    raise OSError(f"{path}: no whole file of notes")
