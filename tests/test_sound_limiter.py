"""A louder track: no true peak above the ceiling, no pumping, the loudness that was asked for."""

from dataclasses import replace

import numpy as np
import pytest
from sound_bands import BAR_TICKS, render, small_band

from generator.sound import SoundSettings
from generator.sound.limiter import apply_curve, gain_curve_db
from generator.sound.loudness import measure
from generator.sound.native import SPAN


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
    block = np.ones((2, 10 * SPAN), np.float32)
    apply_curve(block, 0, np.linspace(0, -10, 11, dtype=np.float32))
    assert np.abs(np.diff(block)).max() < 0.01
    halves = np.ones((2, 10 * SPAN), np.float32)
    apply_curve(halves[:, : 5 * SPAN], 0, np.linspace(0, -10, 11, dtype=np.float32))
    apply_curve(halves[:, 5 * SPAN :], 5 * SPAN, np.linspace(0, -10, 11, dtype=np.float32))
    np.testing.assert_array_equal(block, halves)


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
