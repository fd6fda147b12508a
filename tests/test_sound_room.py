"""The room: linear, the same whatever the blocks, as long and as loud as it says."""

import numpy as np
import pytest

from generator.sound.desk import build_desk
from generator.sound.native import Console, desk
from generator.sound.room import DECAY_S

RATES_HZ = (22_050, 44_100, 48_000, 96_000)


def answer(send: np.ndarray, rate_hz: int, block_frames: int | None = None) -> np.ndarray:
    """Return (2, frames): what the room makes of a send, a multiple of 64 samples."""
    console, signal = build_desk(rate_hz), np.zeros((3, len(send)), np.float32)
    signal[2] = send
    return np.hstack([through(console, block) for block in blocks(signal, block_frames)])


def blocks(signal: np.ndarray, block_frames: int | None) -> list[np.ndarray]:
    step = block_frames or signal.shape[1]
    return [signal[:, start : start + step].copy() for start in range(0, signal.shape[1], step)]


def through(console: Console, signal: np.ndarray) -> np.ndarray:
    to = np.full((2, signal.shape[1]), np.nan, np.float32)
    desk(console, signal, to)
    return to


def impulse(rate_hz: int, at: int = 0) -> np.ndarray:
    send = np.zeros(rate_hz // 64 * 64)
    send[at] = 1.0
    return send


def test_blocks_of_any_length_and_the_moment_make_no_difference():
    whole = answer(impulse(44_100, 700), 44_100)
    np.testing.assert_array_equal(answer(impulse(44_100, 700), 44_100, 64), whole)
    np.testing.assert_array_equal(answer(impulse(44_100, 700), 44_100, 640), whole)
    # Through the cuts, whose states are rounded, a shifted impulse differs by a hair.
    first = answer(impulse(44_100), 44_100)
    np.testing.assert_allclose(whole[:, 700:], first[:, :-700], atol=1e-6)


def test_two_sends_add_up():
    rng = np.random.default_rng(2)
    a, b = (rng.standard_normal(64 * 300) * 0.1 for _ in range(2))
    both = answer(a + b, 44_100)
    np.testing.assert_allclose(both, answer(a, 44_100) + answer(b, 44_100), atol=2e-6)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_full_send_returns_about_as_much_as_went_in(rate_hz):
    """The answer of each side to an impulse has unit energy: noise comes back equally loud."""
    send = np.random.default_rng(1).standard_normal(4 * rate_hz // 64 * 64)
    wet = answer(send, rate_hz)[:, rate_hz:]
    ratio_db = 10 * np.log10((wet**2).mean(axis=1) / (send**2).mean())
    assert np.abs(ratio_db).max() < 1.0


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_it_decays_as_long_as_it_says(rate_hz):
    """Reverberation time after ISO 3382-1: backward integration (Schroeder 1965), -5 to -35 dB."""
    energy = (answer(impulse(rate_hz), rate_hz) ** 2).sum(axis=0)
    level_db = 10 * np.log10(np.cumsum(energy[::-1])[::-1] / energy.sum() + 1e-12)
    fall_s = (np.argmax(level_db < -35) - np.argmax(level_db < -5)) / rate_hz
    assert 2 * fall_s == pytest.approx(DECAY_S, rel=0.1)


def test_no_tone_sticks_out():
    """Levels over frequency scatter like those of a good room: 5.6 dB (Schroeder 1954)."""
    wet = answer(impulse(44_100), 44_100)
    hz = np.fft.rfftfreq(wet.shape[1], 1 / 44_100)
    level_db = 20 * np.log10(np.abs(np.fft.rfft(wet, axis=1))[:, (hz > 300) & (hz < 3000)])
    assert level_db.std(axis=1) == pytest.approx(5.6, abs=0.7)


@pytest.mark.parametrize(("time_ms", "least"), [(30, 0.5), (40, 0.7), (60, 0.8), (100, 0.8)])
def test_reflections_soon_lie_as_close_as_those_of_a_good_room(time_ms, least):
    """Normalised echo density (Abel and Huang 2006), windows of 20 ms: noise has 1."""
    window = np.hanning(44_100 // 50)
    window /= window.sum()
    start = 441 * time_ms // 10 - len(window) // 2
    for side in answer(impulse(44_100), 44_100)[:, start : start + len(window)]:
        deviation = np.sqrt((window * side**2).sum())
        beyond = (window * (np.abs(side) > deviation)).sum()
        assert beyond / 0.3173 > least


def test_the_two_sides_differ_and_low_and_high_are_cut():
    wet = answer(impulse(44_100), 44_100)
    assert abs(np.corrcoef(wet)[0, 1]) < 0.1
    power = (np.abs(np.fft.rfft(wet, axis=1)) ** 2).sum(axis=0)
    hz = np.fft.rfftfreq(wet.shape[1], 1 / 44_100)
    middle, low, high = (
        10 * np.log10(power[(hz > a) & (hz < b)].mean())
        for a, b in ((500, 2000), (30, 60), (12_000, 20_000))
    )
    assert low < middle - 15
    assert high < middle - 15


def test_a_still_room_rings_out_and_adds_nothing_more():
    """After a second of silence nothing is left to be added; a new room starts silent."""
    console = build_desk(44_100)
    signal, still = np.zeros((3, 64 * 960), np.float32), np.zeros((3, 64 * 960), np.float32)
    assert not through(console, still).any()
    signal[2, -1] = 1.0
    through(console, signal)
    rest = through(console, still)
    assert np.abs(rest).max() > 0.05
    assert rest[:, 40_000:44_100].any()
    assert not rest[:, 44_100 + 4000 :].any()
    assert not through(console, still).any()
    # It rings again as a new one does.
    np.testing.assert_array_equal(through(console, signal), through(build_desk(44_100), signal))


def test_the_middle_goes_to_both_sides_and_the_side_to_each_with_its_sign():
    """Between the cuts, at 1 kHz, all passes: a tone in the middle, another a quarter later."""
    turns = 2 * np.pi * 1000 / 44_100 * np.arange(64 * 400)
    signal = np.array([np.sin(turns), 0.5 * np.cos(turns), 0 * turns]).astype(np.float32)
    left, right = through(build_desk(44_100), signal)[:, 64 * 200 :].astype(float)
    middle, side = signal[:2, 64 * 200 :]
    np.testing.assert_allclose((left + right) / 2, middle, atol=0.05)
    np.testing.assert_allclose((left - right) / 2, side, atol=0.12)


@pytest.mark.parametrize(("row", "cut_hz"), [(0, 25), (1, 150)])
def test_what_is_low_is_cut_from_the_middle_and_sooner_from_the_side(row, cut_hz):
    """Butterworth: 3 dB down at the cut, 12 dB an octave below, all there above."""
    signal = np.zeros((3, 1 << 16), np.float32)
    signal[row, 0] = 1.0
    spectrum = np.abs(np.fft.rfft(through(build_desk(44_100), signal)[0].astype(float)))
    hz = np.fft.rfftfreq(1 << 16, 1 / 44_100)
    levels_db = [
        20 * np.log10(np.interp(cut_hz * octave, hz, spectrum)) for octave in (1 / 4, 1, 8)
    ]
    assert levels_db == pytest.approx([-24.1, -3.0, 0.0], abs=0.2)
