"""Sum the band block by block: dry buses, low end to the middle, one room; measured on the way."""

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import count
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from generator.sound import native
from generator.sound.desk import build_desk
from generator.sound.loudness import Meter
from generator.sound.mix import Channel, pan_gains
from generator.sound.model import MIX
from generator.sound.native import SPAN
from generator.sound.room import STILL_S
from generator.sound.spool import Blocks, Spool

__all__ = ["Mixdown", "Strip", "mix_down"]

Samples = NDArray[np.float32]

BLOCK_FRAMES = 1920 * SPAN
_LONG_BLOCK_FRAMES = 8 * BLOCK_FRAMES  # fewer rounds, where no other thread waits for a block
_NEAR_FRAMES = 128 * SPAN  # three rows of them stay near the processor

_LONGEST_TAIL_S = 10.0
_AHEAD_FRAMES = 8 * BLOCK_FRAMES
_BUFFERS = 3


@dataclass(slots=True)
class Mixdown:
    """The band, unlevelled.

    `spools` holds the mix and the stems that were asked for. `lufs` and `dbtp` are of the mix.
    `hop_powers` are its K-weighted powers in hops of 100 ms, `span_powers` those in spans of 64
    samples, `reaches` says how high its true peak can be near them (see `Meter.add`).
    `tail_heights` is the greatest sample of each span from sample `tail_start` on, over all spools.
    """

    spools: Mapping[str, Blocks]
    block_frames: int
    lufs: float
    dbtp: float
    hop_powers: NDArray[np.float64]
    span_powers: NDArray[np.float16]
    reaches: NDArray[np.float16]
    tail_start: int
    tail_heights: Samples

    def frames(self, end_sample: int, gain: float, floor: float) -> int:
        """Return the length of the track: to its end, and on until `gain` leaves it below floor."""
        loud = np.flatnonzero(self.tail_heights * gain > floor)
        last = self.tail_start + (int(loud[-1]) + 1) * SPAN if loud.size else 0
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

    def block(self, start: int, frames: int) -> native.Dry:
        """Return what it plays from sample `start` on."""

    @property
    def ends(self) -> int | None:
        """The sample from which on it is silent; None while that is not known."""


def mix_down(
    buses: Sequence[Strip],
    *,
    parts: tuple[str, ...],
    end_sample: int,
    rate_hz: int,
    jobs: int,
    memory: list[Samples] | None,
    progress: Callable[[float], None],
) -> Mixdown:
    """Mix until the last sound has died away, at most 10 s behind the end.

    Parameters
    ----------
    buses : sequence of Strip
        Those whose channel is not `in_mix` are only for their stems.
    parts : tuple of str
        What to spool: first `mix`, then names of channels.
    end_sample : int
        Where the music ends.
    rate_hz, jobs : int
        With more than one job, measuring goes on beside mixing.
    memory : list of array, optional
        Kept from mix to mix, see `Spool`.
    progress : callable
        Called with 0 to 1.
    """
    frames = BLOCK_FRAMES if jobs > 1 else _LONG_BLOCK_FRAMES
    cap = _up_to_a_span(end_sample + _LONGEST_TAIL_S * rate_hz)
    meter = _Meter(rate_hz, frames, end_sample // frames * frames, -(-cap // frames))
    with ExitStack() as stack:
        spools = {part: Spool(frames, memory if part == MIX else None) for part in parts}
        for spool in spools.values():
            stack.callback(spool.close)
        desks = [build_desk(rate_hz) for _ in parts]
        pool = stack.enter_context(ThreadPoolExecutor(1))  # has a thread once there is work for it
        pending: list[Future[None]] = []
        # Of each signal its middle, its side and its share of the room: whole blocks, one of which
        # is filled while another is finished, or a little, that goes from one to the other at once.
        some, length = (_BUFFERS, frames) if jobs > 1 else (1, _NEAR_FRAMES)
        buffers = [np.empty((len(parts), 3, length), np.float32) for _ in range(some)]

        def keep(blocks: list[Samples], until: int) -> None:
            for spool, block in zip(spools.values(), blocks, strict=True):
                block[:, until:] = 0
                spool.keep()
            meter.add(*(block[:, :until] for block in blocks))

        def finish(signals: Samples, until: int) -> None:
            blocks = [spool.blank() for spool in spools.values()]
            for desk, signal, block in zip(desks, signals, blocks, strict=True):
                native.desk(desk, signal, block)
            keep(blocks, until)

        def left(start: int) -> int:
            """Return how many samples from there on something may sound in."""
            last = end_sample
            for bus in buses:
                if bus.ends is None:
                    return cap - start
                last = max(last, bus.ends)
            return min(_up_to_a_span(last + STILL_S * rate_hz), cap) - start

        places = [_place(bus.channel, parts) for bus in buses]
        for index in count():
            start = index * frames
            if left(start) <= 0:
                break
            if jobs > 1:  # else nothing is got ready beside the mix
                for bus in buses:
                    bus.prepare(start + _AHEAD_FRAMES)
            while len(pending) >= _BUFFERS:
                pending.pop(0).result()
            strips = [
                native.Strip(bus.block(start, frames), *place)
                for bus, place in zip(buses, places, strict=True)
            ]
            until = max(0, min(left(start), frames))
            signals = buffers[index % len(buffers)]
            if jobs > 1:
                native.mix(strips, start, signals)
                pending.append(pool.submit(finish, signals, until))
            else:
                blocks = [spool.blank() for spool in spools.values()]
                native.mix_through(strips, start, desks, signals, blocks, until)
                keep(blocks, until)
            progress(min(1.0, (start + frames) / cap))
        for future in pending:
            future.result()
        stack.pop_all()
    pool.shutdown()
    return meter.mixdown(spools)


class _Meter:
    def __init__(self, rate_hz: int, frames: int, tail_start: int, most_blocks: int) -> None:
        self._meter = Meter(rate_hz)
        self._tail_start = tail_start
        # Memory that nobody writes costs nothing; a list would be there twice while it is joined.
        # Half precision does: powers are summed over many spans, reaches are rounded up.
        self._powers = np.empty(most_blocks * frames // SPAN, np.float16)
        self._reaches = np.empty(len(self._powers) + 1, np.float16)
        self._heights: list[Samples] = []
        self._frames, self._seen = frames, 0

    def add(self, total: Samples, *stems: Samples) -> None:
        spans = slice(self._seen // SPAN, (self._seen + total.shape[1]) // SPAN)
        powers, reaches = self._meter.add(total)
        native.halves(powers, self._powers[spans])
        native.halves(reaches, self._reaches[spans], up=True)
        if self._seen >= self._tail_start:
            height = _heights(total)
            for stem in stems:
                height = np.maximum(height, _heights(stem))
            self._heights.append(height)
        self._seen += total.shape[1]

    def mixdown(self, spools: dict[str, Spool]) -> Mixdown:
        spans = self._seen // SPAN
        native.halves(self._meter.finish(), self._reaches[spans : spans + 1], up=True)
        return Mixdown(
            spools,
            self._frames,
            self._meter.lufs(),
            self._meter.dbtp(),
            self._meter.hop_powers(),
            self._powers[:spans],
            self._reaches[: spans + 1],
            self._tail_start,
            np.concatenate(self._heights) if self._heights else np.zeros(0, np.float32),
        )


def _up_to_a_span(samples: float) -> int:
    return math.ceil(samples / SPAN) * SPAN


def _heights(block: Samples) -> Samples:
    heights: Samples = native.span_heights(block).max(axis=0)
    return heights


def _place(channel: Channel, parts: tuple[str, ...]) -> tuple[float, float, float, int]:
    """Return the gains of a bus as `native.Strip` has them, and the signals it is heard in."""
    left, right = (channel.gain * gain / 2 for gain in pan_gains(channel.pan))
    heard = [channel.in_mix if part == MIX else part == channel.name for part in parts]
    return left, right, channel.send, sum(1 << n for n, is_heard in enumerate(heard) if is_heard)
