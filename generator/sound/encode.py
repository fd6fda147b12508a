"""Write audio files, block after block, beside the mixing: WAV here, the others by ffmpeg."""

import contextlib
import hashlib
import struct
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator.errors import OutputError
from generator.files import cannot_write
from generator.sound.direct import DirectFile
from generator.sound.ffmpeg import Encoder, FfmpegEncoder, ffmpeg_program
from generator.sound.model import AudioFormat, Tags
from generator.sound.mp3 import Mp3Encoder, cut_track
from generator.sound.native import PAGE_BYTES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Encoder", "ffmpeg_program", "open_encoder"]


class WavEncoder(Encoder):
    """Canonical WAVE: 16 or 24 bit integers or 32-bit floats, with an INFO list of tags."""

    def __init__(
        self, path: Path, kind: AudioFormat, rate_hz: int, frames: int, tags: Tags, jobs: int
    ) -> None:
        import numpy as np

        super().__init__(path, rate_hz)
        self._bits = {"wav": 16, "wav24": 24, "wav32f": 32}[kind]
        self.takes_pcm16 = self._bits == 16
        self._digest = hashlib.sha256()
        head = _wav_head(self._bits, rate_hz, frames, tags)
        try:
            self._file = DirectFile(path, directly=jobs == 1)
            self._write(np.frombuffer(head, np.uint8))
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
        self._write(data)

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        try:
            self._file.close()
        except OSError as error:
            raise cannot_write(self.path, str(error.strerror)) from error
        return self._digest.hexdigest()

    def abort(self) -> None:
        """Stop and remove what was written."""
        with contextlib.suppress(OSError):
            self._file.close()
        self.path.unlink(missing_ok=True)

    def _write(self, data: "NDArray[Any]") -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise cannot_write(self.path, str(error.strerror)) from error
        self._digest.update(data.data)


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
    # Samples begin on a page, which the disk takes directly. JUNK is what RIFF calls such a filler
    # (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991).
    head += _chunk(b"JUNK", bytes(-(12 + len(head) + 8 + 8) % PAGE_BYTES))
    total = 4 + len(head) + 8 + size + (size & 1)
    if total >= 1 << 32:
        raise OutputError("a WAV file holds at most 4 GiB; use FLAC or 16 bit for this length")
    return b"RIFF" + struct.pack("<I", total) + b"WAVE" + head + b"data" + struct.pack("<I", size)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)
