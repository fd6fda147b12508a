"""Sum the band block by block: dry buses, low end to the middle, one room; measured on the way."""

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import count
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from generator.sound.filters import STEP
from generator.sound.loudness import (
    LoudnessMeter,
    TruePeakMeter,
    gated_loudness,
    span_heights,
)
from generator.sound.mix import Channel, LowEnd, pan_gains
from generator.sound.model import MIX
from generator.sound.room import Room
from generator.sound.spool import Spool

__all__ = ["Mixdown", "Strip", "mix_down"]

Samples = NDArray[np.float32]

_LONGEST_TAIL_S = 10.0
_SILENT = 1e-7
_INAUDIBLE_SEND = 1e-6
_AHEAD_BLOCKS = 2
_BUFFERS = 4


@dataclass(slots=True)
class Mixdown:
    """The band, unlevelled.

    `spools` holds the mix and the stems that were asked for. `lufs` and `dbtp` are of the mix.
    `tail_heights` is the greatest sample of each span of 64 from sample `tail_start` on, over
    all spools. `hop_powers` are the K-weighted powers of the mix in hops of 100 ms.
    """

    spools: dict[str, Spool]
    block_frames: int
    lufs: float
    dbtp: float
    hop_powers: NDArray[np.float64]
    tail_start: int
    tail_heights: Samples

    def frames(self, end_sample: int, gain: float, floor: float) -> int:
        """Return the length of the track: to its end, and on until `gain` leaves it below floor."""
        loud = np.flatnonzero(self.tail_heights * gain > floor)
        last = self.tail_start + (int(loud[-1]) + 1) * STEP if loud.size else 0
        return max(end_sample, last)

    def close(self) -> None:
        """Free the disk space."""
        for spool in self.spools.values():
            spool.close()


class Strip(Protocol):
    """What makes the dry signal of a part: a `Bus` or a `StraightBus`."""

    channel: Channel

    def prepare(self, end: int) -> None:
        """Get ready to play up to sample `end`."""

    def block(self, start: int, frames: int) -> Samples:
        """Return (1 or 2, frames) from `start` on, before gain and pan; may be changed at will."""

    def spent(self, start: int) -> bool:
        """Whether no sound is left from the block at `start` on."""


def mix_down(
    buses: Sequence[Strip],
    *,
    parts: tuple[str, ...],
    end_sample: int,
    rate_hz: int,
    jobs: int,
    progress: Callable[[float], None],
) -> Mixdown:
    """Mix until the last sound has died away, at most 10 s behind the end.

    Parameters
    ----------
    buses : sequence of Strip
        Those whose channel is not `in_mix` are only for their stems.
    parts : tuple of str
        What to spool: `mix` and names of channels.
    end_sample : int
        Where the music ends.
    rate_hz, jobs : int
        With more than one job, measuring goes on beside mixing.
    progress : callable
        Called with 0 to 1.
    """
    room, low_end = Room(rate_hz), LowEnd(rate_hz)
    frames = room.block_frames
    cap = end_sample + round(_LONGEST_TAIL_S * rate_hz)
    meter = _Meter(rate_hz, frames, end_sample // frames * frames)
    with ExitStack() as stack:
        spools = {part: Spool(frames) for part in parts}
        for spool in spools.values():
            stack.callback(spool.close)
        stems = {name: (LowEnd(rate_hz), room.another()) for name in parts if name != MIX}
        stem_buffers = {name: np.empty((_BUFFERS, 2, frames), np.float32) for name in stems}
        desks = [stack.enter_context(ThreadPoolExecutor(1)) for _ in range(2 if jobs > 1 else 0)]
        pending: list[Future[None]] = []
        buffers = np.empty((_BUFFERS, 2, frames), np.float32)  # middle and side
        sends = np.empty((_BUFFERS, frames), np.float32)
        own, scratch = np.empty((2, frames), np.float32), np.empty(frames, np.float32)
        for index in count():
            start = index * frames
            if start >= cap or (start >= end_sample and all(bus.spent(start) for bus in buses)):
                break
            for bus in buses:
                bus.prepare(start + _AHEAD_BLOCKS * frames)
            while len(pending) >= _BUFFERS - 1:
                pending.pop(0).result()
            total, send = buffers[index % _BUFFERS], sends[index % _BUFFERS]
            total.fill(0.0)
            send.fill(0.0)
            stem_blocks: dict[str, Samples] = {}
            for bus in buses:
                channel = bus.channel
                _place(bus.block(start, frames), channel, own)
                if channel.in_mix:
                    total += own
                    if channel.send > _INAUDIBLE_SEND:
                        send += np.multiply(own[0], np.float32(channel.send), out=scratch)
                if channel.name in stems:
                    stem_blocks[channel.name] = stem_buffers[channel.name][index % _BUFFERS]
                    stem_blocks[channel.name][:] = own

            def blend(
                total: Samples = total,
                send: Samples = send,
                stem_blocks: dict[str, Samples] = stem_blocks,
            ) -> None:
                low_end(total)
                room.add(send, total)
                for bus in buses:
                    name = bus.channel.name
                    if name in stem_blocks:
                        stem, (stem_low_end, stem_room) = stem_blocks[name], stems[name]
                        stem_send = stem[0] * np.float32(bus.channel.send)
                        stem_low_end(stem)
                        if bus.channel.send > _INAUDIBLE_SEND:
                            stem_room.add(stem_send, stem)

            def keep(
                blended: Future[None] | None = None,
                total: Samples = total,
                stem_blocks: dict[str, Samples] = stem_blocks,
            ) -> None:
                if blended:
                    blended.result()
                meter.add(total, stem_blocks.values())
                for part, spool in spools.items():
                    block = total if part == MIX else stem_blocks.get(part)
                    spool.append(np.zeros_like(total) if block is None else block)

            if desks:
                pending.append(desks[1].submit(keep, desks[0].submit(blend)))
            else:
                blend()
                keep()
            progress(min(1.0, (start + frames) / cap))
        for future in pending:
            future.result()
        stack.pop_all()
    for desk in desks:
        desk.shutdown()
    hop_powers = meter.loudness.hop_powers()
    return Mixdown(
        spools,
        frames,
        gated_loudness(hop_powers),
        meter.peak.finish(),
        hop_powers,
        meter.tail_start,
        np.concatenate(meter.heights) if meter.heights else np.zeros(0, np.float32),
    )


class _Meter:
    def __init__(self, rate_hz: int, frames: int, tail_start: int) -> None:
        self.loudness, self.peak = LoudnessMeter(rate_hz), TruePeakMeter()
        self.tail_start = tail_start
        self.heights: list[Samples] = []
        self._frames, self._seen = frames, 0

    def add(self, total: Samples, stems: Iterable[Samples]) -> None:
        self.loudness.add(total)
        self.peak.add(total)
        if self._seen >= self.tail_start:
            height = _heights(total)
            for stem in stems:
                height = np.maximum(height, _heights(stem))
            self.heights.append(height)
        self._seen += self._frames


def _heights(block: Samples) -> Samples:
    heights: Samples = span_heights(block).max(axis=0)
    return heights


def _place(dry: Samples, channel: Channel, out: Samples) -> None:
    """Set (1 or 2, frames) at its level and place in the stereo image, as middle and side."""
    left, right = (np.float32(channel.gain * gain / 2) for gain in pan_gains(channel.pan))
    if len(dry) == 1:
        np.multiply(dry[0], left + right, out=out[0])
        np.multiply(dry[0], left - right, out=out[1])
    else:
        dry[0] *= left
        dry[1] *= right
        np.add(dry[0], dry[1], out=out[0])
        np.subtract(dry[0], dry[1], out=out[1])
