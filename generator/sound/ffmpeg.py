"""Pipe samples into ffmpeg, which makes every format but WAV, and its tags.

Each file starts at sample 0: MP3 carries the LAME header, M4A an edit list and Ogg its pre-skip,
so that decoders drop the encoder's delay. Raw AAC and MP3 without a header are never written.
"""

import hashlib
import shutil
import subprocess
import tempfile
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

from generator.errors import EncodeError, MissingToolError, OutputError
from generator.files import cannot_write
from generator.sound import native
from generator.sound.model import AudioFormat, Tags

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Encoder", "FfmpegEncoder", "ffmpeg_program"]

# LAME multiplies its input by this before encoding (its default "scale"): undone here, so that
# an MP3 is as loud as the WAV beside it.
LAME_SCALE = 0.97

_CODECS: dict[str, tuple[str, ...]] = {
    "flac": ("-c:a", "flac", "-sample_fmt", "s16", "-compression_level", "5", "-f", "flac"),
    # Without the reservoir several encoders may make one track, see `mp3`. It costs 0.3 dB of
    # segmental signal-to-noise ratio at 192 kbit/s, measured on the chart of the benchmarks.
    "mp3": (
        *("-c:a", "libmp3lame", "-reservoir", "0"),
        *("-f", "mp3", "-id3v2_version", "4", "-write_xing", "1"),
    ),
    "m4a": ("-c:a", "aac", "-f", "ipod", "-movflags", "+faststart"),
    "ogg": ("-c:a", "libvorbis", "-f", "ogg"),
    "opus": ("-c:a", "libopus", "-f", "opus"),
}
_LOSSY = ("mp3", "m4a", "ogg", "opus")

# With two inputs (the second holds the tags) ffmpeg 5.1 reads each in a thread of its own, which
# hands over pieces of 1,024 samples: at most 8 that wait, unless told otherwise.
_QUEUE = ("-thread_queue_size", "512")
_AMPLE_KBPS = 192
"""From here on LAME need not search for where noise hurts least: the quicker level leaves less
noise (36.3 against 33.5 dB of segmental signal-to-noise ratio on the chart of the benchmarks) and
takes two thirds of the time. Below, its default level (5) masks noise better."""


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


class FfmpegEncoder(Encoder):
    """Pipes samples into ffmpeg; the file holds exactly the samples that were given.

    It is `output` if that is given; errors speak of `path`.
    """

    def __init__(
        self,
        path: Path,
        kind: AudioFormat,
        rate_hz: int,
        tags: Tags,
        bitrate_kbps: int,
        output: Path | None = None,
    ) -> None:
        super().__init__(path, 48_000 if kind == "opus" else rate_hz)
        self.takes_pcm16 = kind == "flac"
        self._output = output or path
        self._gain = 1 / LAME_SCALE if kind == "mp3" else 1.0
        self._messages: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115, see `_tidy`
        command = [ffmpeg_program(), "-nostdin", "-hide_banner", "-loglevel", "error", "-y"]
        command += ["-f", "s16le" if self.takes_pcm16 else "f32le", "-ar", str(rate_hz)]
        command += ["-ac", "2", *_QUEUE, "-i", "pipe:0"]
        if kind == "m4a":  # its tags have no field for key and tempo that ffmpeg writes
            told = ", ".join(part for part in (tags.key, tags.tempo, tags.comment) if part)
            tags = replace(tags, comment=told)
        self._metadata: Path | None = None
        if tags != Tags():
            text = _ffmetadata(tags, with_chapters=kind in ("mp3", "m4a"))
            # Closed before ffmpeg opens it: Windows lets no two programs have it open.
            handle, name = tempfile.mkstemp(suffix=".txt")
            with open(handle, "w", encoding="utf-8") as file:
                file.write(text)
            self._metadata = Path(name)
            command += ["-f", "ffmetadata", "-i", name, "-map", "0:a"]
            command += ["-map_metadata", "1", "-map_chapters", "1"]
        command += ["-fflags", "+bitexact", "-flags:a", "+bitexact"]
        if kind in _LOSSY:
            command += ["-b:a", f"{bitrate_kbps}k"]
        if kind == "mp3" and bitrate_kbps >= _AMPLE_KBPS:
            command += ["-compression_level", "7"]
        if kind in ("ogg", "opus", "flac") and tags.chapters:
            for name, value in _vorbis_chapters(tags):
                command += ["-metadata", f"{name}={value}"]
        command += [*_CODECS[kind], str(self._output)]
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=self._messages,
                start_new_session=True,  # Ctrl-C reaches us; we end ffmpeg ourselves
            )
        except OSError as error:
            self._tidy()
            raise MissingToolError(f"{command[0]} cannot be run: {error.strerror}") from error

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Write on."""
        data = block if block.dtype == "int16" else native.interleaved(block, self._gain)
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(data.data)
        except OSError as error:
            raise self._failure() from error

    def close(self) -> None:
        """Close the file."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.close()
        except OSError as error:
            raise self._failure() from error
        if self._process.wait() != 0 or not self._output.exists():
            raise self._failure()
        self._tidy()

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        self.close()
        with self._output.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def kill(self) -> None:
        """End ffmpeg at once, also while another thread writes to it."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()

    def abort(self) -> None:
        """Stop and remove what was written."""
        self.kill()
        if self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.close()
        self._tidy()
        self._output.unlink(missing_ok=True)

    def _tidy(self) -> None:
        self._messages.close()
        if self._metadata:
            self._metadata.unlink(missing_ok=True)

    def _failure(self) -> EncodeError | OutputError:
        self._process.wait()
        self._messages.seek(0)
        said = self._messages.read().decode(errors="replace").strip().splitlines()
        reason = said[-1] if said else f"exit code {self._process.returncode}"
        if any("No space left" in line or "Permission denied" in line for line in said):
            return cannot_write(self.path, reason)
        return EncodeError(f"{self.path}: ffmpeg could not encode it: {reason}")


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
