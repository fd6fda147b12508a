"""Blocks of a long track, read from a short one with joints."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from generator.sound import spool as spools
from generator.sound.splice import FADE_FRAMES, Joint, Spliced, runs
from generator.sound.spool import Spool

BLOCK = 4096
RATE_HZ = 1000  # a millisecond is a sample


def kept(samples: np.ndarray, memory: list | None) -> Spool:
    spool = Spool(BLOCK, memory)
    for start in range(0, samples.shape[1], BLOCK):
        spool.blank()[:] = samples[:, start : start + BLOCK]
        spool.keep()
    return spool


def wave(blocks: int) -> np.ndarray:
    return np.random.default_rng(7).uniform(-1, 1, (2, blocks * BLOCK)).astype(np.float32)


@pytest.fixture(params=["file", "memory", "memory, then file"])
def memory(request, monkeypatch):
    monkeypatch.setattr(spools, "_CHUNK_FRAMES", 2 * BLOCK)
    monkeypatch.setattr(spools, "_MOST_CHUNKS", 2 if request.param == "memory, then file" else 50)
    return None if request.param == "file" else []


@pytest.mark.parametrize(("start", "frames"), [(0, 9), (BLOCK - 1, 2), (4 * BLOCK - 5, 3 * BLOCK)])
def test_any_samples_of_a_spool_are_copied(memory, start, frames):
    samples = wave(6)
    spool = kept(samples, memory)
    to = np.full((2, frames), np.nan, np.float32)
    spool.fill(to, start)
    beyond = np.zeros((2, max(0, start + frames - samples.shape[1])), np.float32)
    np.testing.assert_array_equal(
        to, np.concatenate([samples[:, start : start + frames], beyond], axis=1)
    )
    spool.close()


def test_a_long_track_is_what_its_joints_say(memory):
    samples = wave(12)
    joints = (Joint(25.0, 10.003), Joint(35.003, 20.005), Joint(41.5, 11.0))
    track = Spliced(kept(samples, memory), runs(joints, 12 * BLOCK, RATE_HZ))
    assert track.blocks == -(-(12 * BLOCK + 11_000) // BLOCK)

    total = np.zeros((2, track.blocks * BLOCK), np.float32)
    backs = [0, 10_003, 20_005, 11_000]
    ends = [25_000, 35_003, 41_500, total.shape[1]]
    padded = np.concatenate([samples, np.zeros((2, 2 * BLOCK), np.float32)], axis=1)
    at = 0
    for back, end in zip(backs, ends, strict=True):
        some = padded[:, at - back : end - back]
        total[:, at : at + some.shape[1]] = some
        at = end
    rising = np.linspace(0, 1, FADE_FRAMES, dtype=np.float32)
    for n, end in enumerate(ends[:-1]):
        fade = slice(end - FADE_FRAMES, end)
        after = padded[:, fade.start - backs[n + 1] : fade.stop - backs[n + 1]]
        total[:, fade] += (after - total[:, fade]) * rising
    with ThreadPoolExecutor(2) as pool:
        blocks = list(pool.map(track.read, reversed(range(track.blocks))))
    np.testing.assert_allclose(np.concatenate(blocks[::-1], axis=1), total, atol=1e-6)
    track.close()


def test_equal_music_is_joined_without_a_trace(memory):
    """Two periods of a tone, one sample apart from whole ones: no step, no dip."""
    tone = np.sin(2 * np.pi * np.arange(12 * BLOCK) / 200.25).astype(np.float32)
    made_of = runs((Joint(25.0, 10.012),), 12 * BLOCK, RATE_HZ)
    track = Spliced(kept(np.stack([tone, -tone]), memory), made_of)
    whole = np.concatenate([track.read(i) for i in range(track.blocks)], axis=1)[:, : 12 * BLOCK]
    steps = np.abs(np.diff(whole))
    assert steps.max() <= 1.01 * np.abs(np.diff(tone)).max()
    heights = np.abs(whole[0][: len(tone) // 400 * 400].reshape(-1, 400)).max(axis=1)
    assert heights.min() > 0.99
