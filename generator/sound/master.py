"""Level the mixed blocks, limit them if need be, and write the files."""

import math
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack

import numpy as np
from numpy.typing import NDArray

from generator.record import record
from generator.sound import native
from generator.sound.encode import Encoder, open_encoder
from generator.sound.limiter import apply_curve, corner_gains, gain_curve_db, power_lost
from generator.sound.loudness import Meter, gated_loudness, hop_edges
from generator.sound.mixdown import Mixdown
from generator.sound.model import MIX, AudioFile, AudioTarget, SoundSettings
from generator.sound.native import PAGE_BYTES, SPAN
from generator.sound.spool import Blocks
from generator.sound.threads import helper
from generator.sound.true_peak import SpanPeaks

__all__ = ["Level", "find_level", "write_files"]

Samples = NDArray[np.float32]

CEILING_DBTP = -1.5
"""True peak that no file exceeds."""

_LIMITER_CEILING_DBTP = CEILING_DBTP - 0.1
_TAIL_FLOOR = 10 ** (-70 / 20)
_FADE_S = 0.05
_PAGE_FRAMES = PAGE_BYTES // 4  # of 16 bit, a multiple of the spans
_CLOSE_ENOUGH_LU = 0.05
_TRIES = 12
_LEAST_SLOPE = 0.1
_WORTH_TELLING_DB = 6.0  # less than this on single peaks goes unnoticed


@record
class Level:
    """The master gain, and the curve of the limiter when there is one (corners in dB)."""

    gain_db: float
    lufs: float
    dbtp: float
    curve_db: NDArray[np.float32] | None = None
    remarks: tuple[str, ...] = ()

    @property
    def limited_db(self) -> float:
        """How much the limiter takes off the highest peak, 0 when there is none."""
        return 0.0 if self.curve_db is None else -float(self.curve_db.min())

    @property
    def gain(self) -> float:
        """The master gain, linear."""
        return float(10 ** (self.gain_db / 20))


def find_level(mixed: Mixdown, target_lufs: float, rate_hz: int) -> Level:
    """Return the gain that brings the mix to its loudness, limited where peaks forbid plain gain.

    The gain is rounded to a thousandth of a decibel: nothing to an ear, and it hides the rounding
    of other machines' arithmetic.
    """
    if not math.isfinite(mixed.lufs):
        return Level(0.0, mixed.lufs, mixed.dbtp, None, ("the mix is silent: level left alone",))
    gain_db = round(target_lufs - mixed.lufs, 3)
    if mixed.dbtp + gain_db <= CEILING_DBTP:
        return Level(gain_db, mixed.lufs + gain_db, mixed.dbtp + gain_db)
    # Limiting costs loudness, which the gain makes up for: a decibel more than is cut off at most.
    most_db = gain_db + 1.0 + mixed.dbtp + gain_db - CEILING_DBTP
    gain_db, curve, lufs = _settle(mixed, gain_db, most_db, target_lufs, rate_hz)
    remarks = []
    if curve.min() < -_WORTH_TELLING_DB:
        remarks.append(
            f"{target_lufs:g} LUFS is more than the peaks allow: limited by up to "
            f"{-curve.min():.1f} dB; a lower --loudness needs no limiter"
        )
    if abs(target_lufs - lufs) > 6 * _CLOSE_ENOUGH_LU:
        remarks.append(f"the limiter reached {lufs:.1f} LUFS, not {target_lufs:g}")
    return Level(gain_db, lufs, _LIMITER_CEILING_DBTP, curve, tuple(remarks))


def write_files(
    mixed: Mixdown,
    level: Level,
    targets: tuple[AudioTarget, ...],
    settings: SoundSettings,
    end_sample: int,
    encoders: list[Encoder],
    progress: Callable[[float], None],
) -> tuple[AudioFile, ...]:
    """Write every target; each encoder is put on `encoders` as it is opened, for the caller."""
    frames = mixed.frames(end_sample, level.gain, _TAIL_FLOOR)
    frames = min(frames, mixed.spools[next(iter(mixed.spools))].blocks * mixed.block_frames)
    files: dict[AudioTarget, AudioFile] = {}
    parts = tuple(dict.fromkeys(target.part for target in targets))
    for number, part in enumerate(parts):
        some = tuple(target for target in targets if target.part == part)

        def share(done: float, number: int = number) -> None:
            progress((number + done) / len(parts))

        files |= _write_part(mixed, part, level, some, settings, frames, encoders, share)
    return tuple(files[target] for target in targets)


def _write_part(
    mixed: Mixdown,
    part: str,
    level: Level,
    targets: tuple[AudioTarget, ...],
    settings: SoundSettings,
    frames: int,
    opened: list[Encoder],
    progress: Callable[[float], None],
) -> dict[AudioTarget, AudioFile]:
    spool = mixed.spools[part]
    encoders = []
    for target in targets:
        encoder = open_encoder(
            target.path,
            target.format,
            rate_hz=settings.rate_hz,
            frames=frames,
            tags=settings.tags,
            bitrate_kbps=settings.bitrate_kbps,
            jobs=settings.jobs,
        )
        opened.append(encoder)
        encoders.append(encoder)
    meter = None if part == MIX else Meter(settings.rate_hz)
    curve_db = level.curve_db if part == MIX else None
    wants_levelled = not all(encoder.takes_pcm16 for encoder in encoders)
    wants_pcm16 = any(encoder.takes_pcm16 for encoder in encoders)
    fade_frames = round(_FADE_S * settings.rate_hz)
    with ExitStack() as stack:
        # A thread each, which takes blocks in their order.
        pools = [stack.enter_context(helper(settings.jobs)) for _ in encoders]
        pending: deque[Future[None]] = deque()
        for start, block in _faded_blocks(spool, frames, fade_frames):
            if meter:
                meter.add(block)
            corners = None
            if curve_db is not None:
                corners = corner_gains(curve_db, start, block.shape[1])
            # Gain and curve to 16 bit are one pass over the samples.
            pcm = native.to_pcm16(block, level.gain, start, corners) if wants_pcm16 else None
            if wants_levelled:
                block = block * np.float32(level.gain)
                if corners is not None:
                    apply_curve(block, corners)
            while len(pending) > len(encoders):  # each has a block to go on with
                pending.popleft().result()
            for pool, encoder in zip(pools, encoders, strict=True):
                own = pcm if pcm is not None and encoder.takes_pcm16 else block
                pending.append(pool.submit(encoder.add, own))
            progress((start + block.shape[1]) / frames)
        for future in pending:
            future.result()
        ends = [pool.submit(e.finish) for pool, e in zip(pools, encoders, strict=True)]
        digests = [end.result() for end in ends]
    lufs, dbtp = level.lufs, level.dbtp
    if meter:
        meter.finish()
        lufs = gated_loudness(meter.hop_powers() * level.gain**2)
        dbtp = meter.dbtp() + level.gain_db
    return {
        target: AudioFile(
            path=target.path,
            part=part,
            format=target.format,
            sample_rate_hz=encoder.rate_hz,
            frames=frames,
            duration_s=frames / settings.rate_hz,
            start_offset_s=0.0,
            sha256=digest,
            loudness_lufs=lufs,
            true_peak_dbtp=dbtp,
        )
        for target, encoder, digest in zip(targets, encoders, digests, strict=True)
    }


def _settle(
    mixed: Mixdown, gain_db: float, most_db: float, target_lufs: float, rate_hz: int
) -> tuple[float, Samples, float]:
    """Raise the gain until the limited mix is as loud as asked for; return its curve too.

    The louder, the less of a decibel of gain is heard: the next step trusts the one before it.
    """
    spans = SpanPeaks(mixed.spools[MIX].fill, mixed.reaches)
    known: list[tuple[float, float]] = []
    while True:
        peaks = spans.above(10 ** ((_LIMITER_CEILING_DBTP - gain_db) / 20))
        curve = gain_curve_db(peaks, 10 ** (gain_db / 20), _LIMITER_CEILING_DBTP, rate_hz)
        lufs = _limited_loudness(mixed, curve, rate_hz) + gain_db
        known.append((gain_db, lufs))
        if abs(target_lufs - lufs) <= _CLOSE_ENOUGH_LU or len(known) == _TRIES:
            return gain_db, curve, lufs
        slope = 1.0
        if len(known) > 1:
            (before_db, before_lufs), _ = known[-2:]
            slope = min(1.0, max(_LEAST_SLOPE, (lufs - before_lufs) / (gain_db - before_db)))
        raised_db = min(most_db, round(gain_db + (target_lufs - lufs) / slope, 3))
        if raised_db == gain_db:
            return gain_db, curve, lufs
        gain_db = raised_db


def _limited_loudness(mixed: Mixdown, curve_db: Samples, rate_hz: int) -> float:
    """Return the loudness of the mix that the curve leaves."""
    lost = power_lost(mixed.span_powers, curve_db)
    # Where hops begin and end, in spans; what a span loses is shared by the hops that it lies in.
    edges = hop_edges(len(mixed.hop_powers), rate_hz) / SPAN
    inside = edges.astype(np.int64)
    ahead = (edges - inside) * lost[np.minimum(inside, len(lost) - 1)]
    held = np.flatnonzero(lost)
    hops = inside.searchsorted(held, "right") - 1
    sums = np.bincount(hops, lost[held], len(inside))[:-1]
    return gated_loudness(mixed.hop_powers - (sums - ahead[:-1] + ahead[1:]) / np.diff(edges))


def _faded_blocks(spool: Blocks, frames: int, fade_frames: int) -> Iterator[tuple[int, Samples]]:
    """Read the blocks of a track and where they start; none is to be changed.

    The last frames are faded out: what is left of a tail ends without a step. They come by
    themselves, from a page of the file on, so that little is copied and all else is written
    directly.
    """
    fade_start = frames - fade_frames
    own_start = max(0, fade_start) // _PAGE_FRAMES * _PAGE_FRAMES
    for index in range(-(-frames // spool.block_frames)):
        start = index * spool.block_frames
        block = spool.read(index)[:, : frames - start]
        whole = min(max(0, own_start - start), block.shape[1])
        if whole:
            yield start, block[:, :whole]
        if whole < block.shape[1]:
            faded = block[:, whole:].copy()
            start += whole
            place = np.arange(start, start + faded.shape[1]) - fade_start
            turns = np.clip(place / max(1, fade_frames), 0.0, 1.0) * (math.pi / 2)
            faded *= (np.cos(turns) ** 2).astype(np.float32)
            yield start, faded
