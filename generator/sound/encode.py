"""Write audio files, block after block, beside the mixing: WAV here, the others by ffmpeg."""

import contextlib
import hashlib
import os
import struct
from concurrent.futures import Future
from pathlib import Path
from typing import IO, TYPE_CHECKING

from generator.errors import OutputError
from generator.files import cannot_write
from generator.sound.ffmpeg import Encoder, FfmpegEncoder, ffmpeg_program
from generator.sound.model import AudioFormat, Tags
from generator.sound.mp3 import Mp3Encoder, cut_track
from generator.sound.threads import helpers

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Encoder", "ffmpeg_program", "open_encoder"]


class WavEncoder(Encoder):
    """Canonical WAVE: 16 or 24 bit integers or 32-bit floats, with an INFO list of tags."""

    def __init__(
        self, path: Path, kind: AudioFormat, rate_hz: int, frames: int, tags: Tags, jobs: int
    ) -> None:
        super().__init__(path, rate_hz)
        self._bits = {"wav": 16, "wav24": 24, "wav32f": 32}[kind]
        self.takes_pcm16 = self._bits == 16
        self._digest = hashlib.sha256()
        self._hashing: Future[None] | None = None
        self._pool = helpers(1, jobs)  # hashes one block while the next is written
        self._is_one_of_many = jobs == 1
        head = _wav_head(self._bits, rate_hz, frames, tags)
        try:
            self._file = path.open("wb")
            self._write(head)
        except OSError as error:
            raise cannot_write(path, str(error.strerror)) from error

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Write on."""
        import numpy as np

        if self._bits == 16:
            data = np.ascontiguousarray(block, "<i2")
        elif self._bits == 32:
            data = np.ascontiguousarray(block.T, "<f4")
        else:
            whole = np.clip(np.rint(block.T * np.float64(1 << 23)), -(1 << 23), (1 << 23) - 1)
            octets = whole.astype("<i4")[..., None].view(np.uint8)
            data = np.ascontiguousarray(octets.reshape(-1, 4)[:, :3])
        self._write(data.data)

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        try:
            self._file.close()
        except OSError as error:
            raise cannot_write(self.path, str(error.strerror)) from error
        self._pool.shutdown()
        return self._digest.hexdigest()

    def abort(self) -> None:
        """Stop and remove what was written."""
        self._pool.shutdown()
        self._file.close()
        self.path.unlink(missing_ok=True)

    def _write(self, data: "bytes | memoryview") -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise cannot_write(self.path, str(error.strerror)) from error
        if self._is_one_of_many:
            _let_go(self._file)
        if self._hashing:
            self._hashing.result()
        self._hashing = self._pool.submit(self._digest.update, data)


def open_encoder(
    path: Path,
    kind: AudioFormat,
    *,
    rate_hz: int,
    frames: int,
    tags: Tags,
    bitrate_kbps: int,
    jobs: int = 1,
) -> Encoder:
    """Return an encoder for one file of `frames` stereo samples.

    An MP3 is made by up to `jobs` processes at once, the others by one.

    Raises
    ------
    MissingToolError
        If the format needs ffmpeg and there is none.
    OutputError
        If the file cannot be written.
    """
    if kind in ("wav", "wav24", "wav32f"):
        return WavEncoder(path, kind, rate_hz, frames, tags, jobs)
    if kind == "mp3" and len(segments := cut_track(frames, rate_hz, jobs)) > 1:
        return Mp3Encoder(path, rate_hz, tags, bitrate_kbps, segments)
    return FfmpegEncoder(path, kind, rate_hz, tags, bitrate_kbps)


def _let_go(file: IO[bytes]) -> None:
    """Have the system write what it holds of a file, and free its memory as soon as that is done.

    A pack would fill the memory with files that nobody reads soon. To get ever more of it costs a
    tenth of a pack's time, where the memory of the machine is a virtual one.
    """
    if hasattr(os, "posix_fadvise"):  # not on every system
        with contextlib.suppress(OSError):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _wav_head(bits: int, rate_hz: int, frames: int, tags: Tags) -> bytes:
    width = 2 * bits // 8
    size = frames * width
    info = b"INFO" + b"".join(
        _chunk(name, text.encode("utf-8") + b"\0")
        for name, text in (
            (b"INAM", tags.title),
            (b"IART", tags.composer),
            (b"IKEY", tags.key),
            (b"ICMT", ", ".join(part for part in (tags.tempo, tags.comment) if part)),
        )
        if text
    )
    kind = 3 if bits == 32 else 1
    head = _chunk(b"fmt ", struct.pack("<HHIIHH", kind, 2, rate_hz, rate_hz * width, width, bits))
    if kind == 3:
        head += _chunk(b"fact", struct.pack("<I", frames))
    if len(info) > 4:
        head += _chunk(b"LIST", info)
    total = 4 + len(head) + 8 + size + (size & 1)
    if total >= 1 << 32:
        raise OutputError("a WAV file holds at most 4 GiB; use FLAC or 16 bit for this length")
    return b"RIFF" + struct.pack("<I", total) + b"WAVE" + head + b"data" + struct.pack("<I", size)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)
