"""Write audio files, block after block, beside the mixing.

WAV is written here; ffmpeg, fed through a pipe, makes every other format and its tags. Each
file starts at sample 0: MP3 carries the LAME header, M4A an edit list and Ogg its pre-skip, so
that decoders drop the encoder's delay. Raw AAC and MP3 without a header are never written.
"""

import hashlib
import shutil
import struct
import subprocess
import tempfile
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

from generator.errors import EncodeError, MissingToolError, OutputError
from generator.sound.model import AudioFormat, Tags

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Encoder", "ffmpeg_program", "open_encoder"]

# LAME multiplies its input by this before encoding (its default "scale"): undone here, so that
# an MP3 is as loud as the WAV beside it.
LAME_SCALE = 0.97

_CODECS: dict[str, tuple[str, ...]] = {
    "flac": ("-c:a", "flac", "-sample_fmt", "s16", "-compression_level", "5", "-f", "flac"),
    "mp3": ("-c:a", "libmp3lame", "-f", "mp3", "-id3v2_version", "4", "-write_xing", "1"),
    "m4a": ("-c:a", "aac", "-f", "ipod", "-movflags", "+faststart"),
    "ogg": ("-c:a", "libvorbis", "-f", "ogg"),
    "opus": ("-c:a", "libopus", "-f", "opus"),
}
_LOSSY = ("mp3", "m4a", "ogg", "opus")


def ffmpeg_program() -> str:
    """Return the ffmpeg to run: the installed one, else the one that imageio-ffmpeg ships.

    Raises
    ------
    MissingToolError
        If there is neither.
    """
    program = shutil.which("ffmpeg")
    if program:
        return program
    try:
        import imageio_ffmpeg

        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except (ImportError, RuntimeError) as error:
        raise MissingToolError(
            "ffmpeg was not found; install it: apt-get install ffmpeg (Debian, Ubuntu) or "
            "brew install ffmpeg; WAV and MIDI need none"
        ) from error


class Encoder:
    """A file being written; `add` takes blocks, `finish` closes, `abort` leaves nothing.

    `takes_pcm16` says whether it wants dithered 16-bit samples (frames, 2) or float32 (2, frames).
    `rate_hz` is that of the file.
    """

    takes_pcm16 = False

    def __init__(self, path: Path, rate_hz: int) -> None:
        self.path = path
        self.rate_hz = rate_hz

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Write on."""
        raise NotImplementedError

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        raise NotImplementedError

    def abort(self) -> None:
        """Stop and remove what was written."""
        raise NotImplementedError


class WavEncoder(Encoder):
    """Canonical WAVE: 16 or 24 bit integers or 32-bit floats, with an INFO list of tags."""

    def __init__(
        self, path: Path, kind: AudioFormat, rate_hz: int, frames: int, tags: Tags
    ) -> None:
        super().__init__(path, rate_hz)
        self._bits = {"wav": 16, "wav24": 24, "wav32f": 32}[kind]
        self.takes_pcm16 = self._bits == 16
        self._digest = hashlib.sha256()
        head = _wav_head(self._bits, rate_hz, frames, tags)
        try:
            self._file = path.open("wb")
            self._write(head)
        except OSError as error:
            raise OutputError(f"{path}: cannot be written: {error.strerror}") from error

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
            raise OutputError(f"{self.path}: cannot be written: {error.strerror}") from error
        return self._digest.hexdigest()

    def abort(self) -> None:
        """Stop and remove what was written."""
        self._file.close()
        self.path.unlink(missing_ok=True)

    def _write(self, data: "bytes | memoryview") -> None:
        try:
            self._file.write(data)
        except OSError as error:
            raise OutputError(f"{self.path}: cannot be written: {error.strerror}") from error
        self._digest.update(data)


class FfmpegEncoder(Encoder):
    """Pipes samples into ffmpeg; the file holds exactly the samples that were given."""

    def __init__(
        self,
        path: Path,
        kind: AudioFormat,
        rate_hz: int,
        tags: Tags,
        bitrate_kbps: int,
    ) -> None:
        super().__init__(path, 48_000 if kind == "opus" else rate_hz)
        self.takes_pcm16 = kind == "flac"
        self._gain = 1 / LAME_SCALE if kind == "mp3" else 1.0
        self._messages: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115, see `_close`
        command = [ffmpeg_program(), "-nostdin", "-hide_banner", "-loglevel", "error", "-y"]
        command += ["-f", "s16le" if self.takes_pcm16 else "f32le", "-ar", str(rate_hz)]
        command += ["-ac", "2", "-i", "pipe:0"]
        if kind == "m4a":  # its tags have no field for key and tempo that ffmpeg writes
            told = ", ".join(part for part in (tags.key, tags.tempo, tags.comment) if part)
            tags = replace(tags, comment=told)
        text = _ffmetadata(tags, with_chapters=kind in ("mp3", "m4a"))
        # Closed before ffmpeg opens it: Windows lets no two programs have it open.
        handle, self._metadata = tempfile.mkstemp(suffix=".txt")
        with open(handle, "w", encoding="utf-8") as file:
            file.write(text)
        command += ["-f", "ffmetadata", "-i", self._metadata, "-map", "0:a"]
        command += ["-map_metadata", "1", "-map_chapters", "1", "-fflags", "+bitexact"]
        command += ["-flags:a", "+bitexact"]
        if kind in _LOSSY:
            command += ["-b:a", f"{bitrate_kbps}k"]
        if kind in ("ogg", "opus", "flac") and tags.chapters:
            for name, value in _vorbis_chapters(tags):
                command += ["-metadata", f"{name}={value}"]
        command += [*_CODECS[kind], str(path)]
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=self._messages,
                start_new_session=True,  # Ctrl-C reaches us; we end ffmpeg ourselves
            )
        except OSError as error:
            self._close()
            raise MissingToolError(f"{command[0]} cannot be run: {error.strerror}") from error

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Write on."""
        import numpy as np

        if self.takes_pcm16:
            data = np.ascontiguousarray(block, "<i2")
        else:
            data = np.ascontiguousarray(block.T * np.float32(self._gain), "<f4")
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(data.data)
        except OSError as error:
            raise self._failure() from error

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.close()
        except OSError as error:
            raise self._failure() from error
        if self._process.wait() != 0 or not self.path.exists():
            raise self._failure()
        self._close()
        with self.path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def abort(self) -> None:
        """Stop and remove what was written."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        if self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.close()
        self._close()
        self.path.unlink(missing_ok=True)

    def _close(self) -> None:
        self._messages.close()
        Path(self._metadata).unlink(missing_ok=True)

    def _failure(self) -> EncodeError | OutputError:
        self._process.wait()
        self._messages.seek(0)
        said = self._messages.read().decode(errors="replace").strip().splitlines()
        reason = said[-1] if said else f"exit code {self._process.returncode}"
        if any("No space left" in line or "Permission denied" in line for line in said):
            return OutputError(f"{self.path}: cannot be written: {reason}")
        return EncodeError(f"{self.path}: ffmpeg could not encode it: {reason}")


def open_encoder(
    path: Path,
    kind: AudioFormat,
    *,
    rate_hz: int,
    frames: int,
    tags: Tags,
    bitrate_kbps: int,
) -> Encoder:
    """Return an encoder for one file of `frames` stereo samples.

    Raises
    ------
    MissingToolError
        If the format needs ffmpeg and there is none.
    OutputError
        If the file cannot be written.
    """
    if kind in ("wav", "wav24", "wav32f"):
        return WavEncoder(path, kind, rate_hz, frames, tags)
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
    total = 4 + len(head) + 8 + size + (size & 1)
    if total >= 1 << 32:
        raise OutputError("a WAV file holds at most 4 GiB; use FLAC or 16 bit for this length")
    return b"RIFF" + struct.pack("<I", total) + b"WAVE" + head + b"data" + struct.pack("<I", size)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1)


def _ffmetadata(tags: Tags, *, with_chapters: bool) -> str:
    """Return ffmpeg's metadata text (";FFMETADATA1")."""
    lines = [";FFMETADATA1"]
    for name, value in (
        ("title", tags.title),
        ("composer", tags.composer),
        ("artist", tags.composer),
        ("initialkey", tags.key),
        ("TKEY", tags.key),
        ("TBPM", tags.tempo),
        ("comment", tags.comment),
    ):
        if value:
            lines.append(f"{name}={_escaped(value)}")
    if with_chapters:
        for chapter in tags.chapters:
            lines += [
                "[CHAPTER]",
                "TIMEBASE=1/1000",
                f"START={round(chapter.start_s * 1000)}",
                f"END={round(chapter.end_s * 1000)}",
                f"title={_escaped(chapter.title)}",
            ]
    return "\n".join(lines) + "\n"


def _escaped(text: str) -> str:
    return "".join("\\" + c if c in "=;#\\\n" else c for c in text)


def _vorbis_chapters(tags: Tags) -> list[tuple[str, str]]:
    """Return the chapter comments that players of Ogg files read (CHAPTER001=hh:mm:ss.sss)."""
    pairs = []
    for number, chapter in enumerate(tags.chapters, 1):
        minutes, seconds = divmod(chapter.start_s, 60)
        hours, minutes = divmod(int(minutes), 60)
        pairs.append((f"CHAPTER{number:03}", f"{hours:02}:{minutes:02}:{seconds:06.3f}"))
        pairs.append((f"CHAPTER{number:03}NAME", chapter.title))
    return pairs
