"""Encode one MP3 by several ffmpegs at once.

The track is cut into segments that overlap by 2.5 seconds; each ffmpeg takes every n-th of them,
one behind the other, as if they were one track; `mp3_join` puts their frames in order.
"""

import hashlib
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from generator.files import cannot_write
from generator.sound.ffmpeg import Encoder, FfmpegEncoder
from generator.sound.model import Tags
from generator.sound.mp3_join import FRAME_SAMPLES, OVERLAP_FRAMES, RATES_HZ, Segment, join

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Mp3Encoder", "cut_track"]

_GRID_SAMPLES = OVERLAP_FRAMES * FRAME_SAMPLES
_MOST_ENCODERS = 8
_SHORTEST_GRIDS = 2  # five seconds; less is not worth starting an ffmpeg
_GRIDS_AT_ONCE = 24  # a minute: a segment of each encoder
_MOST_HELD_SAMPLES = (_GRIDS_AT_ONCE + 2) * _GRID_SAMPLES  # 24 MB, enough for all to have work


def cut_track(samples: int, rate_hz: int, jobs: int) -> tuple[Segment, ...]:
    """Return the segments of a track, the encoders taking turns; only one if it is not worth it.

    All but the first start `OVERLAP_FRAMES` before the end of the one before.

    Examples
    --------
    >>> [(s.encoder, s.start // 112_896, s.end) for s in cut_track(112_896 * 30, 44_100, 2)]
    [(0, 0, 903168), (1, 7, 1806336), (0, 15, 2596608), (1, 22, 3386880)]
    """
    grids = samples // _GRID_SAMPLES
    encoders = min(jobs, _MOST_ENCODERS, grids // _SHORTEST_GRIDS)
    if encoders < 2 or rate_hz not in RATES_HZ:
        return (Segment(0, 0, samples),)
    count = encoders * -(-grids // _GRIDS_AT_ONCE)
    starts = [grids * number // count for number in range(count)]
    ends = [(start + 1) * _GRID_SAMPLES for start in starts[1:]] + [samples]
    return tuple(
        Segment(number % encoders, start * _GRID_SAMPLES, end)
        for number, (start, end) in enumerate(zip(starts, ends, strict=True))
    )


class _Lane:
    """An encoder that works in a thread, and what waits for it."""

    def __init__(self, encoder: FfmpegEncoder) -> None:
        self.encoder = encoder
        self._pool = ThreadPoolExecutor(1)
        self._waiting: deque[tuple[int, Future[None]]] = deque()

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Leave a block to the encoder."""
        self._waiting.append((block.shape[1], self._pool.submit(self.encoder.add, block)))

    def held_samples(self) -> int:
        """Return how much waits for the encoder."""
        while self._waiting and self._waiting[0][1].done():
            self.wait_for_one()
        return sum(samples for samples, _ in self._waiting)

    def wait_for_one(self) -> None:
        """Wait until the encoder has taken the block that came first."""
        self._waiting.popleft()[1].result()

    def close(self) -> None:
        """Let the encoder end behind the last block, without waiting for it."""
        self._waiting.append((0, self._pool.submit(self.encoder.close)))

    def wait(self) -> None:
        """Wait until the encoder has ended."""
        while self._waiting:
            self.wait_for_one()
        self._pool.shutdown()

    def abort(self) -> None:
        """Stop at once and remove what was written."""
        self.encoder.kill()  # whatever waits at its pipe goes on, and fails
        self._pool.shutdown(cancel_futures=True)
        self.encoder.abort()


class Mp3Encoder(Encoder):
    """Several ffmpegs at work on one MP3 of which `segments` tells the parts.

    Each writes a file beside `path`, joined and removed at the end.
    """

    def __init__(
        self,
        path: Path,
        rate_hz: int,
        tags: Tags,
        bitrate_kbps: int,
        segments: Sequence[Segment],
    ) -> None:
        super().__init__(path, rate_hz)
        self._segments = segments
        self._at = 0
        self._lanes: list[_Lane] = []
        self._parts: list[Path] = []
        encoders = 1 + max(segment.encoder for segment in segments)
        try:
            for number in range(encoders):
                part = path.with_name(f"{path.name}.{number}")
                told = Tags() if number else tags
                encoder = FfmpegEncoder(path, "mp3", rate_hz, told, bitrate_kbps, output=part)
                self._lanes.append(_Lane(encoder))
                self._parts.append(part)
        except BaseException:
            self.abort()
            raise

    def add(self, block: "NDArray[np.float32] | NDArray[np.int16]") -> None:
        """Write on."""
        start, self._at = self._at, self._at + block.shape[1]
        for segment in self._segments:
            if segment.start < self._at and segment.end > start:
                piece = block[:, max(0, segment.start - start) : segment.end - start]
                self._lanes[segment.encoder].add(piece)
        while sum(lane.held_samples() for lane in self._lanes) > _MOST_HELD_SAMPLES:
            max(self._lanes, key=_Lane.held_samples).wait_for_one()

    def finish(self) -> str:
        """Close the file and return its SHA-256."""
        assert self._at == self._segments[-1].end
        for lane in self._lanes:
            lane.close()
        for lane in self._lanes:
            lane.wait()
        try:
            join(self.path, self._parts, self._segments)
            for part in self._parts:
                part.unlink()
            with self.path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise cannot_write(self.path, str(error.strerror)) from error

    def abort(self) -> None:
        """Stop and remove what was written."""
        for lane in self._lanes:
            lane.abort()
        with suppress(OSError):
            self.path.unlink(missing_ok=True)
