"""Loudness and true peak, against a reference library and against themselves."""

import math

import numpy as np
import pyloudnorm
import pytest

from generator.sound.loudness import Meter, k_weighting, measure
from generator.sound.native import SPAN, halves
from generator.sound.true_peak import SpanPeaks, interpolator


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
    meter = Meter(44_100)
    said = []
    at = 0
    for length in (1, 63, 64, 1000, 44_100, 7, 100_000, 200_000):
        said.append(meter.add(x[:, at : at + length]))
        at += length
    assert at >= x.shape[1]
    meter.finish()
    assert (meter.lufs(), meter.dbtp()) == whole
    for parts, same in zip(zip(*said, strict=True), Meter(44_100).add(x), strict=True):
        np.testing.assert_array_equal(np.concatenate(parts), same)


@pytest.mark.parametrize("frames", [4409, 4410, 4411, 8820, 8832])
def test_a_hop_counts_when_all_its_samples_were_heard(frames):
    """Hops of 4410 samples; what rings on behind the end is none of them."""
    meter = Meter(44_100)
    meter.add(music(44_100, 1.0)[:, :frames])
    meter.finish()
    assert len(meter.hop_powers()) == frames // 4410


def test_powers_of_spans_add_up_to_those_of_hops():
    """At 48 kHz a hop is 75 spans."""
    meter = Meter(48_000)
    spans, _ = meter.add(music(48_000, 2.0))
    np.testing.assert_allclose(spans.reshape(-1, 75).mean(axis=1), meter.hop_powers(), rtol=1e-6)


def oversampled(x: np.ndarray) -> np.ndarray:
    """Return four times as many samples, in one piece by FFT."""
    spectrum = np.fft.rfft(x, axis=1)
    padded = np.zeros((2, 4 * (spectrum.shape[1] - 1) + 1), complex)
    padded[:, : spectrum.shape[1]] = spectrum
    return np.fft.irfft(padded, 4 * x.shape[1], axis=1) * 4


def test_passing_over_quiet_stretches_does_not_change_the_peak():
    """Against oversampling every sample."""
    x = music(44_100, 2.0)
    x[0, 40_000:40_003] = 0.9, 0.9, -0.9
    dense = oversampled(x)
    assert measure(x, 44_100)[1] == pytest.approx(20 * np.log10(np.abs(dense).max()), abs=0.1)


def finder_in(x: np.ndarray) -> tuple[SpanPeaks, list[tuple[int, int]]]:
    """Return what finds the peaks of spans, and a list of what it reads: first and last spans."""
    meter, seen = Meter(44_100), []

    def fill(to: np.ndarray, start: int) -> None:
        assert start >= 0
        seen.append((start // SPAN, (start + to.shape[1]) // SPAN))
        there = x[:, start : start + to.shape[1]]
        to[:, : there.shape[1]] = there
        to[:, there.shape[1] :] = 0

    reaches = np.concatenate([meter.add(x)[1], meter.finish()])
    return SpanPeaks(fill, reaches), seen


@pytest.mark.parametrize("highest", [0.1, 0.5, 0.85])
def test_peaks_of_spans_are_those_of_oversampling_everything(highest):
    """Where they may pass the floor; a peak is also told of the span beside it.

    Noise up to a share of half the sampling rate, which the taps of the meter pass evenly.
    """
    frames = 400 * SPAN
    spectrum = np.fft.rfft(np.random.default_rng(3).standard_normal((2, frames)), axis=1)
    spectrum[:, round(highest * spectrum.shape[1]) :] = 0
    x = np.fft.irfft(spectrum, frames, axis=1) * np.hanning(frames)  # the FFT is circular
    x = (0.4 * x / np.abs(x).max()).astype(np.float32)
    points = np.abs(oversampled(x)).reshape(2, -1, 4 * SPAN).max(axis=(0, 2))
    around = np.maximum(points, np.maximum(np.append(points[1:], 0), np.append(0, points[:-1])))
    finder, _ = finder_in(x)
    floor = points.max() / 2
    peaks = finder.above(floor).copy()
    loud = points > floor
    assert 1 < loud.sum() < len(points)
    assert (peaks[loud] >= 0.99 * points[loud]).all()  # 0.1 dB: they are 32, here are all
    assert (peaks <= 1.01 * around).all()
    # In two steps no other than in one, and with no floor each span has its peak.
    finer, again = finder.above(floor / 4), finder_in(x)[0].above(floor / 4)
    np.testing.assert_array_equal(finer, again)
    assert (finder_in(x)[0].above(-1.0)[loud] == peaks[loud]).all()


def test_only_what_is_near_loud_spans_is_read():
    x = np.full((2, 1200 * SPAN), 0.01, np.float32)
    x[0, 300 * SPAN + 100] = 0.5
    x[0, 420 * SPAN] = 0.5  # so near that both are read at once
    x[1, 700 * SPAN - 1] = -0.5  # rings on in the next span
    x[1, 0] = 0.6
    x[0, -1] = 0.55
    finder, seen = finder_in(x)
    peaks = finder.above(0.3)
    near = [(0, 2), (299, 422), (698, 702), (1197, 1201)]
    assert len(seen) == len(near)
    for (first, last), (first_near, last_near) in zip(seen, near, strict=True):
        assert first_near <= first < last <= last_near
    loud = np.flatnonzero(peaks > 0.3)
    assert {0, 301, 420, 699, 1199} <= set(loud)
    assert set(loud) <= {0, 300, 301, 302, 419, 420, 421, 698, 699, 700, 1198, 1199}
    assert peaks.max() == pytest.approx(0.6, rel=0.05)


def test_peaks_are_the_same_however_much_is_read_at_once(monkeypatch):
    noise = np.random.default_rng(8).standard_normal((2, 5000 * SPAN)).astype(np.float32)
    x = 0.1 * np.cumsum(noise, axis=1) / np.arange(1, noise.shape[1] + 1) ** 0.5
    finder, seen = finder_in(x)
    floor = float(np.quantile(np.abs(x).reshape(2, -1, SPAN).max(axis=(0, 2)), 0.7))
    wanted = finder.above(floor)
    assert len(seen) > 1
    assert max(last - first for first, last in seen) <= 2048 + 1
    for near, most in ((0, 1), (0, 5000), (5000, 5000), (3, 64)):
        monkeypatch.setattr("generator.sound.true_peak._NEAR_SPANS", near)
        monkeypatch.setattr("generator.sound.true_peak._MOST_SPANS", most)
        np.testing.assert_array_equal(finder_in(x)[0].above(floor), wanted)


@pytest.mark.parametrize("phase", [0, 1, 2])
def test_not_even_the_signal_that_suits_the_taps_best_passes_its_reach(phase):
    """What makes the greatest point between samples of one: each has the sign of its tap."""
    taps = interpolator()
    x = np.zeros((2, 20 * SPAN), np.float32)
    x[0, 600:632] = np.sign(taps[phase])
    meter = Meter(44_100)
    _, reaches = meter.add(x)
    meter.finish()
    peak = 10 ** (meter.dbtp() / 20)
    assert np.abs(taps[phase]).sum() * (1 - 1e-5) <= peak <= reaches.max()


def test_silence_and_very_short_sounds_have_no_loudness():
    assert measure(np.zeros((2, 44_100), np.float32), 44_100) == (-math.inf, -math.inf)
    assert measure(np.ones((2, 100), np.float32), 44_100)[0] == -math.inf


def test_reaches_in_half_precision_are_no_lower_and_no_floor_is_rounded():
    """What a mix keeps of them: never below, so that no peak is missed."""
    reaches = np.random.default_rng(4).uniform(1e-4, 8, 10_000).astype(np.float32)
    kept = np.empty(len(reaches), np.float16)
    halves(reaches, kept, up=True)
    assert (kept >= reaches).all()
    assert (kept <= 1.002 * reaches).all()
    x = np.zeros((2, 5 * SPAN), np.float32)
    x[:, 100] = 0.5
    # Half precision knows nothing between 0.5 and the next number: as a plain one, the floor
    # would become that and the reach be lost.
    above = np.nextafter(np.float16(0.5), np.float16(1))
    finder = SpanPeaks(
        lambda to, start: np.copyto(to, x[:, start : start + to.shape[1]]),
        np.full(5, above, np.float16),
    )
    assert finder.above(float(above) - 1e-6).max() == 0.5
