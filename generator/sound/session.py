"""One render at work: what is open while the band is mixed and written."""

import math
import tempfile
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from itertools import count
from typing import IO

import numpy as np
from numpy.typing import NDArray

from generator.band.arrangement import Arrangement, Part
from generator.clock import Clock
from generator.errors import OutputError
from generator.sound.encode import Encoder, open_encoder
from generator.sound.fonts import Font
from generator.sound.loudness import LoudnessMeter, TruePeakMeter
from generator.sound.mix import Bus, Channel, Mono, expression_gain
from generator.sound.model import MIX, AudioFile, AudioReport, AudioTarget, SoundSettings
from generator.sound.notes import NoteKey, plan_part
from generator.sound.presets import mix_preset
from generator.sound.record import Recorder
from generator.sound.room import Room
from generator.sound.sf2 import FontTables

__all__ = ["Session"]

Samples = NDArray[np.float32]

_LONGEST_TAIL_S = 10.0
_TAIL_FLOOR = 10 ** (-70 / 20)
_PEAK_SPAN = 64
_PEAK_CEILING_DBTP = -1.5
_DITHER_SEED = 16


class Session:
    """The state of one call of `render_audio`; closing it frees everything.

    Files that were begun are removed unless `write` came to its end.
    """

    def __init__(
        self,
        arrangement: Arrangement,
        clock: Clock,
        end_tick: int,
        targets: tuple[AudioTarget, ...],
        settings: SoundSettings,
        font: Font,
        tables: FontTables,
        recorder: Recorder,
        progress: Callable[[float], None],
    ) -> None:
        self._targets, self._settings, self._font = targets, settings, font
        self._progress = progress
        self._stack = ExitStack()
        self._rate_hz = settings.rate_hz
        self._end = max(1, clock.samples(end_tick, settings.rate_hz))
        preset = mix_preset(settings.mix)
        self._channels: list[Channel] = []
        self._in_mix: list[bool] = []
        stems = {target.part for target in targets}
        for part in arrangement.parts:
            level_db = preset.levels_db.get(part.name, 0.0)
            in_mix = part.name not in settings.mute and level_db is not None
            if not in_mix and part.name not in stems:
                continue
            gain_db = part.level_db + (level_db or 0.0) + _trim_db(font, part)
            send_db = _decibels(part.reverb_send) + preset.room_db
            placements = plan_part(part, clock, tables, self._rate_hz, settings.silences)
            expression = tuple(
                (clock.samples(control.tick, self._rate_hz), expression_gain(control.value))
                for control in part.controls
                if control.number == 11
            )
            self._channels.append(
                Channel(part.name, placements, gain_db, part.pan, send_db, expression)
            )
            self._in_mix.append(in_mix)
        self._recorder = recorder
        self._spools: dict[str, IO[bytes]] = {}
        self._done = False
        self._encoders: list[Encoder] = []

    def __enter__(self) -> "Session":
        return self

    def __exit__(self, *_: object) -> None:
        if not self._done:
            for encoder in self._encoders:
                encoder.abort()
        self._stack.close()

    def mix(self) -> None:
        """Mix the band into temporary files, measuring loudness and peak on the way."""
        room = Room(self._rate_hz)
        frames = self._block_frames = room.block_frames
        wanted = list(dict.fromkeys(target.part for target in self._targets))
        for part in wanted:
            self._spools[part] = self._stack.enter_context(tempfile.TemporaryFile())
        buses = [Bus(channel, self._rate_hz, self._recorder.get) for channel in self._channels]
        stems = {name: (Mono(self._rate_hz), Room(self._rate_hz)) for name in wanted if name != MIX}
        mono = Mono(self._rate_hz)
        loudness, peak = LoudnessMeter(self._rate_hz), TruePeakMeter()
        heights: list[Samples] = []
        cap = self._end + round(_LONGEST_TAIL_S * self._rate_hz)
        self._frames_mixed = 0
        quiet = False
        for index in count():
            start = index * frames
            if start >= cap or (start >= self._end and all(b.finished for b in buses) and quiet):
                break
            for bus in buses:
                self._recorder.prefetch(bus.upcoming(start + 2 * frames))
            total = np.zeros((2, frames), np.float32)
            send = np.zeros(frames, np.float32)
            height = np.zeros(frames // _PEAK_SPAN, np.float32)
            for channel, bus, in_mix in zip(self._channels, buses, self._in_mix, strict=True):
                dry = bus.block(start, frames)
                level = np.float32(10 ** (channel.send_db / 20) / 2)
                own = (dry[0] + dry[1]) * level if level > 1e-6 else None
                if in_mix:
                    total += dry
                    if own is not None:
                        send += own
                if channel.name in stems:
                    stem_mono, stem_room = stems[channel.name]
                    stem_mono(dry)
                    dry += stem_room(own if own is not None else np.zeros(frames, np.float32))
                    self._spool(channel.name, dry)
                    height = np.maximum(height, _heights(dry))
            mono(total)
            total += room(send)
            loudness.add(total)
            peak.add(total)
            if MIX in self._spools:
                self._spool(MIX, total)
            height = np.maximum(height, _heights(total))
            quiet = float(height.max()) < 1e-6
            heights.append(height)
            self._recorder.trim()
            self._frames_mixed = start + frames
            self._progress(0.6 * min(1.0, self._frames_mixed / cap))
        for name in stems:
            if name not in {channel.name for channel in self._channels}:
                for _ in range(self._frames_mixed // frames):
                    self._spool(name, np.zeros((2, frames), np.float32))
        self._heights = np.concatenate(heights)
        self._lufs, self._dbtp = loudness.integrated(), peak.finish()

    def write(self) -> AudioReport:
        """Level the mixed blocks and encode them."""
        settings = self._settings
        remarks: list[str] = []
        gain_db = 0.0
        if math.isfinite(self._lufs):
            # A thousandth of a decibel is nothing to an ear and hides rounding of other machines.
            gain_db = round(settings.loudness_lufs - self._lufs, 3)
            if self._dbtp + gain_db > _PEAK_CEILING_DBTP:
                gain_db = round(_PEAK_CEILING_DBTP - self._dbtp - 0.01, 3)
                remarks.append(
                    f"{settings.loudness_lufs:g} LUFS would clip: levelled to "
                    f"{self._lufs + gain_db:.1f} LUFS, the loudest that the peaks allow"
                )
        else:
            remarks.append("the mix is silent, so its loudness was left alone")
        gain = 10 ** (gain_db / 20)
        frames = self._length(gain)
        files: list[AudioFile] = []
        for number, part in enumerate(self._spools):
            files += self._write_part(part, gain, gain_db, frames, number)
        self._done = True
        order = {target.path: place for place, target in enumerate(self._targets)}
        files.sort(key=lambda file: order[file.path])
        keys = {placement.key for channel in self._channels for placement in channel.placements}
        return AudioReport(
            tuple(files),
            self._font.path,
            gain_db,
            len(keys),
            sum(len(channel.placements) for channel in self._channels),
            tuple(remarks),
        )

    def _write_part(
        self, part: str, gain: float, gain_db: float, frames: int, number: int
    ) -> list[AudioFile]:
        settings = self._settings
        targets = [target for target in self._targets if target.part == part]
        encoders = []
        for target in targets:
            encoder = open_encoder(
                target.path,
                target.format,
                rate_hz=self._rate_hz,
                frames=frames,
                tags=settings.tags,
                bitrate_kbps=settings.bitrate_kbps,
            )
            self._encoders.append(encoder)
            encoders.append(encoder)
        if part == MIX:
            lufs, dbtp = self._lufs + gain_db, self._dbtp + gain_db
            meters = None
        else:
            meters = (LoudnessMeter(self._rate_hz), TruePeakMeter())
        dither = np.random.Generator(np.random.SFC64(_DITHER_SEED))
        with ThreadPoolExecutor(len(encoders)) as pool:
            pending: list[Future[None]] = []
            for start in range(0, frames, self._block_frames):
                block = self._read(part, start)[:, : frames - start]
                block *= np.float32(gain)
                if meters:
                    for meter in meters:
                        meter.add(block)
                pcm = (
                    _dithered(block, dither)
                    if any(encoder.takes_pcm16 for encoder in encoders)
                    else None
                )
                for future in pending:
                    future.result()
                pending = [
                    pool.submit(encoder.add, pcm if encoder.takes_pcm16 else block)  # type: ignore[arg-type]
                    for encoder in encoders
                ]
                share = (number + min(1.0, (start + self._block_frames) / frames)) / len(
                    self._spools
                )
                self._progress(0.6 + 0.4 * share)
            for future in pending:
                future.result()
        if meters:
            lufs, dbtp = meters[0].integrated(), meters[1].finish()
        return [
            AudioFile(
                target.path,
                part,
                target.format,
                self._rate_hz if target.format != "opus" else 48_000,
                frames,
                frames / self._rate_hz,
                0.0,
                encoder.finish(),
                lufs,
                dbtp,
            )
            for target, encoder in zip(targets, encoders, strict=True)
        ]

    def _length(self, gain: float) -> int:
        """Return how many frames to write: to the end of the music and until all is quiet."""
        loud = np.flatnonzero(self._heights * gain > _TAIL_FLOOR)
        last = (int(loud[-1]) + 1) * _PEAK_SPAN if loud.size else 0
        return min(max(self._end, last), self._frames_mixed)

    def _spool(self, part: str, block: Samples) -> None:
        try:
            self._spools[part].write(np.ascontiguousarray(block).data)
        except OSError as error:
            raise OutputError(
                f"{tempfile.gettempdir()}: no room for the unlevelled sound ({error.strerror}); "
                "free some space, or point TMPDIR at another disk"
            ) from error

    def _read(self, part: str, start: int) -> Samples:
        spool = self._spools[part]
        spool.seek(start * 8)
        data = spool.read(self._block_frames * 8)
        return np.frombuffer(data, np.float32).reshape(2, -1).copy()


def _heights(block: Samples) -> Samples:
    return np.abs(block).max(axis=0).reshape(-1, _PEAK_SPAN).max(axis=1)


def _dithered(block: Samples, rng: np.random.Generator) -> NDArray[np.int16]:
    """Return (frames, 2) of 16 bit with triangular dither of two steps, peak to peak."""
    frames = block.shape[1]
    noise = rng.integers(0, 1 << 16, (4, frames), np.uint16).astype(np.float32)
    out = block * np.float32(32767.0)
    out += (noise[:2] - noise[2:]) * np.float32(1 / (1 << 16))
    np.rint(out, out=out)
    np.clip(out, -32768, 32767, out=out)
    return np.ascontiguousarray(out.T.astype(np.int16))


def _decibels(gain: float) -> float:
    return 20 * math.log10(gain) if gain > 0 else -math.inf


def _trim_db(font: Font, part: Part) -> float:
    name = "drums" if part.channel == 9 else str(part.program)
    return float((font.trims_db or {}).get(name, 0.0))
