"""The room: linear, the same whatever the blocks, as long and as loud as it says."""

import numpy as np
import pytest

from generator.sound.filters import Cascade
from generator.sound.room import DECAY_S, Room, room_cuts

RATES_HZ = (22_050, 44_100, 48_000, 96_000)


def answer(send: np.ndarray, rate_hz: int, block_frames: int | None = None) -> np.ndarray:
    """Return (2, frames): what the room makes of a send, a multiple of 64 samples."""
    room, cuts = Room(rate_hz), Cascade(room_cuts(rate_hz))
    wet = np.zeros((2, len(send)), np.float32)
    step = block_frames or len(send)
    for start in range(0, len(send), step):
        part = slice(start, start + step)
        room.add(cuts(send[None, part].astype(np.float32))[0], wet[:, part])
    return wet


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
    room = Room(44_100)
    send = np.zeros(64 * 960, np.float32)
    send[-1] = 1.0
    out = np.zeros((3, 2, len(send)), np.float32)
    room.add(send, out[0])
    fresh = Room(44_100)
    room.add(np.zeros_like(send), out[1])
    room.add(np.zeros_like(send), out[2])
    assert np.abs(out[1]).max() > 0.05
    assert not out[2].any()
    quiet = np.zeros((2, len(send)), np.float32)
    fresh.add(np.zeros_like(send), quiet)
    assert not quiet.any()
