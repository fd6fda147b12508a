"""A louder track: no true peak above the ceiling, no pumping, the loudness that was asked for."""

import math
from dataclasses import replace

import numpy as np
import pytest
from sound_bands import BAR_TICKS, render, small_band

from generator.sound.limiter import apply_curve, corner_gains, gain_curve_db, power_lost
from generator.sound.loudness import measure
from generator.sound.master import CEILING_DBTP, find_level
from generator.sound.mix import Channel
from generator.sound.mixdown import BLOCK_FRAMES, Mixdown, mix_down
from generator.sound.model import SoundSettings
from generator.sound.native import SPAN, Dry


def test_no_peak_passes_the_ceiling_and_quiet_stretches_are_left_alone():
    peaks = np.full(4000, 0.1, np.float32)
    peaks[[700, 701, 2500]] = 1.0, 0.6, 0.8
    curve = gain_curve_db(peaks, 1.0, -6.0, 44_100)
    after = 20 * np.log10(peaks) + np.maximum(curve[:-1], curve[1:])
    assert after.max() <= -6.0 + 1e-6
    assert curve[0] == curve[-1] == 0.0
    assert (curve <= 0).all()


def test_the_gain_falls_ahead_of_a_peak_and_recovers_slowly():
    peaks = np.full(2000, 0.1, np.float32)
    peaks[1000] = 1.0
    curve = gain_curve_db(peaks, 1.0, -6.0, 44_100)
    span_s = SPAN / 44_100
    steps = np.diff(curve) / span_s
    assert steps.min() >= -1500.1
    assert steps.max() <= 60.1
    ahead_ms = (1000 - int(np.flatnonzero(curve < -0.01)[0])) * span_s * 1000
    assert 2 < ahead_ms < 6


def test_the_curve_is_joined_without_steps():
    curve = np.linspace(0, -10, 11, dtype=np.float32)
    block = np.ones((2, 10 * SPAN), np.float32)
    apply_curve(block, corner_gains(curve, 0, 10 * SPAN))
    assert np.abs(np.diff(block)).max() < 0.01
    halves = np.ones((2, 10 * SPAN), np.float32)
    apply_curve(halves[:, : 5 * SPAN], corner_gains(curve, 0, 5 * SPAN))
    apply_curve(halves[:, 5 * SPAN :], corner_gains(curve, 5 * SPAN, 5 * SPAN))
    np.testing.assert_array_equal(block, halves)


def test_the_power_that_a_curve_takes_is_that_of_the_signal():
    """Of a constant, whose power in a span the gain alone decides."""
    curve = np.array([0, 0, -6, -12, -3, 0, 0], np.float32)
    block = np.full((2, 6 * SPAN), 0.5, np.float32)
    apply_curve(block, corner_gains(curve, 0, 6 * SPAN))
    left = (block.astype(float) ** 2).reshape(2, 6, SPAN).mean(axis=2).sum(axis=0)
    lost = power_lost(np.full(6, 0.5, np.float32), curve)
    # A line is sampled at its left ends: half a sample of 64 early.
    np.testing.assert_allclose(0.5 - lost, left, rtol=0.02)
    assert lost[0] == lost[-1] == 0


class Drummer:
    """Kicks, snares and hats with sharp strokes over a bass: made here, peaks high above it."""

    channel = Channel("drums", (), 1.0, 0.2, 0.3, (), True)

    def __init__(self, rate_hz: int, seconds: float) -> None:
        rng, frames = np.random.default_rng(5), round(rate_hz * seconds)
        self.sound = np.zeros((1, -(-frames // BLOCK_FRAMES) * BLOCK_FRAMES), np.float32)
        time_s = np.arange(rate_hz) / rate_hz
        for beat, start in enumerate(range(0, frames - rate_hz, rate_hz // 4)):
            kick = np.exp(-time_s * 18) * np.sin(300 * (1 - np.exp(-time_s * 9)) + 340 * time_s)
            snare = np.exp(-time_s * 22) * rng.standard_normal(rate_hz) * 0.5
            hat = np.exp(-time_s * 90) * np.diff(rng.standard_normal(rate_hz + 1)) * 0.15
            stroke = (kick, hat, snare, hat)[beat % 4]
            self.sound[0, start : start + rate_hz] += rng.uniform(0.3, 1) * stroke
        bass_hz = np.repeat([41.2, 55.0, 61.7, 49.0], frames // 4 + 1)[:frames]
        self.sound[0, :frames] += 0.05 * np.sin(2 * np.pi * np.cumsum(bass_hz) / rate_hz)

    def prepare(self, end: int) -> None:
        pass

    def block(self, start: int, frames: int) -> Dry:
        ready = np.zeros((2, frames), np.float32)
        piece = self.sound[:, start : start + frames]
        ready[:, : piece.shape[1]] = piece
        return Dry(ready=ready)

    @property
    def ends(self) -> int:
        return self.sound.shape[1]


def drummed(rate_hz: int, jobs: int = 1, end_sample: int | None = None) -> Mixdown:
    drummer = Drummer(rate_hz, 12.0)
    return mix_down(
        [drummer],
        parts=("mix",),
        end_sample=drummer.sound.shape[1] if end_sample is None else end_sample,
        rate_hz=rate_hz,
        jobs=jobs,
        memory=[],
        progress=lambda done: None,
    )


@pytest.mark.parametrize(
    ("end_s", "dead_s"),
    [(1.0, 11.0), (9.0, None), (20.0, 21.0)],
    ids=["a tail of ten seconds", "while it sounds", "while the music lasts"],
)
def test_a_mix_ends_a_second_behind_the_last_sound_however_long_its_blocks(end_s, dead_s):
    """The room falls by 60 dB in 0.42 s. One job has long blocks, two have short ones."""
    rate_hz = 44_100
    one, two = (drummed(rate_hz, jobs, round(end_s * rate_hz)) for jobs in (1, 2))
    sounds = Drummer(rate_hz, 12.0).ends
    dead = sounds + rate_hz if dead_s is None else dead_s * rate_hz
    assert len(one.span_powers) == math.ceil(dead / SPAN)
    assert one.block_frames != two.block_frames
    for name in ("lufs", "dbtp", "span_powers", "reaches", "hop_powers"):
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name))
    for mixed in (one, two):
        spool = mixed.spools["mix"]
        sound = np.concatenate([spool.read(i) for i in range(spool.blocks)], axis=1)
        measured = len(mixed.span_powers) * SPAN
        assert 0 <= sound.shape[1] - measured < mixed.block_frames
        assert not sound[:, measured:].any()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize(
    ("lufs", "least_limited_db", "reached"),
    [(-18.0, 2.5, True), (-16.0, 6.0, True), (-14.0, 14.0, False)],
)
def test_what_the_limiter_leaves_is_told_without_listening(
    rate_hz, lufs, least_limited_db, reached
):
    """Power of spans times the gain squared, against a meter on the limited signal: 0.05 LU."""
    mixed = drummed(rate_hz)
    level = find_level(mixed, lufs, rate_hz)
    assert level.limited_db > least_limited_db
    sound = np.concatenate(
        [mixed.spools["mix"].read(i) for i in range(mixed.spools["mix"].blocks)], axis=1
    ) * np.float32(level.gain)
    apply_curve(sound, corner_gains(level.curve_db, 0, sound.shape[1]))
    heard, dbtp = measure(sound, rate_hz)
    assert level.lufs == pytest.approx(heard, abs=0.05)
    assert dbtp <= CEILING_DBTP
    if reached:
        assert heard == pytest.approx(lufs, abs=0.1)
    else:  # the peaks allow no more: that is told
        assert "more than the peaks allow" in level.remarks[0]
    mixed.close()


@pytest.mark.parametrize("lufs", [-14.0, -11.0, -9.0])
def test_a_loud_target_is_reached_under_the_ceiling(tmp_path, lufs):
    sounds, report = render(
        small_band(3),
        tmp_path,
        3 * BAR_TICKS,
        settings=replace(SoundSettings(), loudness_lufs=lufs),
    )
    heard, dbtp = measure(sounds["mix"], 44_100)
    assert heard == pytest.approx(lufs, abs=0.5)
    assert dbtp <= -1.5
    assert report.files[0].loudness_lufs == pytest.approx(heard, abs=0.3)
