"""Loudness and true peak, against a reference library and against themselves."""

import math

import numpy as np
import pyloudnorm
import pytest

from generator.sound.filters import Cascade
from generator.sound.loudness import LoudnessMeter, TruePeakMeter, k_weighting, measure


def music(rate_hz: int, seconds: float, seed: int = 1) -> np.ndarray:
    """Return noise in bursts, pink-ish, unlike on both sides, with a quiet stretch."""
    rng = np.random.default_rng(seed)
    frames = round(rate_hz * seconds)
    x = rng.standard_normal((2, frames)) * 0.05
    x += np.cumsum(rng.standard_normal((2, frames)), axis=1) * 1e-4
    x *= 0.3 + np.abs(np.sin(np.arange(frames) / rate_hz * 2))
    x[:, frames // 3 : frames // 2] *= 0.003
    return x.astype(np.float32)


@pytest.mark.parametrize("rate_hz", [32_000, 44_100, 48_000])
def test_agrees_with_pyloudnorm(rate_hz):
    """Pyloudnorm 0.2, filter class "DeMan" (the coefficients of BS.1770 at any rate)."""
    x = music(rate_hz, 8.0)
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    assert measure(x, rate_hz)[0] == pytest.approx(meter.integrated_loudness(x.T), abs=0.01)


def test_the_weighting_at_48_khz_is_the_table_of_the_standard():
    """ITU-R BS.1770-4, Annex 1, tables 1 and 2."""
    shelf, high_pass = k_weighting(48_000)
    assert shelf == pytest.approx(
        (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
    )
    assert high_pass == pytest.approx((1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621))


def test_blocks_of_any_length_give_the_same_reading():
    x = music(44_100, 5.0)
    whole = measure(x, 44_100)
    loudness, peak = LoudnessMeter(44_100), TruePeakMeter()
    at = 0
    for length in (1, 63, 64, 1000, 44_100, 7, 100_000, 200_000):
        loudness.add(x[:, at : at + length])
        peak.add(x[:, at : at + length])
        at += length
    assert at >= x.shape[1]
    assert loudness.integrated() == pytest.approx(whole[0], abs=1e-4)
    assert peak.finish() == whole[1]


def test_passing_over_quiet_stretches_does_not_change_the_peak():
    """Against oversampling every sample, in one piece by FFT."""
    x = music(44_100, 2.0)
    x[0, 40_000:40_003] = 0.9, 0.9, -0.9
    spectrum = np.fft.rfft(x, axis=1)
    padded = np.zeros((2, 4 * (spectrum.shape[1] - 1) + 1), complex)
    padded[:, : spectrum.shape[1]] = spectrum
    dense = np.fft.irfft(padded, 4 * x.shape[1], axis=1) * 4
    assert measure(x, 44_100)[1] == pytest.approx(20 * np.log10(np.abs(dense).max()), abs=0.1)


def test_silence_and_very_short_sounds_have_no_loudness():
    assert measure(np.zeros((2, 44_100), np.float32), 44_100) == (-math.inf, -math.inf)
    assert measure(np.ones((2, 100), np.float32), 44_100)[0] == -math.inf


def test_a_cascade_is_the_recursion_it_stands_for():
    """Against the difference equation, sample by sample."""
    sections = k_weighting(44_100)
    x = music(44_100, 0.2)[:1, : 64 * 100]
    y = x[0].astype(np.float64)
    for b0, b1, b2, a1, a2 in sections:
        out = np.zeros_like(y)
        x1 = x2 = y1 = y2 = 0.0
        for i, value in enumerate(y):
            out[i] = b0 * value + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2
            x1, x2, y1, y2 = value, x1, out[i], y1
        y = out
    cascade = Cascade(sections)
    ours = np.concatenate([cascade(x[:, :640]), cascade(x[:, 640:])], axis=1)
    assert np.abs(ours[0] - y).max() < 2e-6
