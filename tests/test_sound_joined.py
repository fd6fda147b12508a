"""What is known of a long track without hearing it, against meters that hear every block of it."""

import numpy as np
import pytest
from test_sound_limiter import Drummer

from generator.sound.joined import joined
from generator.sound.loudness import Meter, gated_loudness
from generator.sound.mixdown import Mixdown, mix_down
from generator.sound.native import SPAN
from generator.sound.splice import Joint
from generator.sound.true_peak import SpanPeaks

RATE_HZ = 44_100
SAMPLE_S = 1 / RATE_HZ
JOINTS = (
    Joint(7.2003, 4 + SAMPLE_S),
    Joint(11.2003, 8 + SAMPLE_S),
    Joint(15.54, 7 + 2 * SAMPLE_S),
)
SECONDS = 12


class Machine(Drummer):
    """Plays the same second over and over, and rings out."""

    def __init__(self) -> None:
        super().__init__(RATE_HZ, SECONDS)
        second = self.sound[:, 3 * RATE_HZ : 4 * RATE_HZ].copy()
        self.sound[:, : SECONDS * RATE_HZ] = np.tile(second, SECONDS)
        self.sound[:, SECONDS * RATE_HZ :] = 0


def machine() -> Mixdown:
    return mix_down(
        [Machine()],
        parts=("mix",),
        end_sample=SECONDS * RATE_HZ,
        rate_hz=RATE_HZ,
        jobs=1,
        memory=None,
        progress=lambda done: None,
    )


@pytest.fixture(scope="module")
def track() -> Mixdown:
    return joined(machine(), JOINTS, RATE_HZ)


@pytest.fixture(scope="module")
def heard(track):
    """Return the whole track, and what the meters say of it."""
    blocks = [track.spools["mix"].read(i) for i in range(track.spools["mix"].blocks)]
    meter = Meter(RATE_HZ)
    powers = np.concatenate([meter.add(block)[0] for block in blocks])
    meter.finish()
    return np.concatenate(blocks, axis=1), meter.hop_powers(), powers, meter.dbtp()


def test_loudness_and_peak_are_those_of_the_track(track, heard):
    _, hop_powers, _, dbtp = heard
    assert track.lufs == pytest.approx(gated_loudness(hop_powers), abs=0.02)
    assert track.dbtp == pytest.approx(dbtp, abs=0.05)


def test_every_hop_has_its_power(track, heard):
    _, hop_powers, _, _ = heard
    short = min(len(hop_powers), len(track.hop_powers))
    assert abs(len(hop_powers) - len(track.hop_powers)) <= track.block_frames * 10 // RATE_HZ + 1
    np.testing.assert_allclose(
        track.hop_powers[:short], hop_powers[:short], rtol=0.05, atol=0.02 * hop_powers.max()
    )


def test_spans_lie_where_they_sound(track, heard):
    """Within a span or so: eight of them together show where a stroke is."""
    _, _, powers, _ = heard
    told = track.span_powers[: len(powers)].astype(np.float64).reshape(-1, 8).sum(axis=1)
    wanted = powers.astype(np.float64).reshape(-1, 8).sum(axis=1)
    np.testing.assert_allclose(told, wanted, rtol=0.05, atol=0.1 * wanted.max())
    assert np.corrcoef(told, wanted)[0, 1] > 0.995


def test_no_peak_passes_what_is_told_of_it(track, heard):
    sound, _, _, _ = heard
    exact = SpanPeaks(
        track.spools["mix"].fill,
        np.full(len(track.reaches), np.inf, np.float32),
    ).above(0.0)
    assert exact.max() > 0.1
    reaches = track.reaches.astype(np.float32)
    assert (exact <= np.maximum(reaches[:-1], reaches[1:]) + 1e-6).all()
    heights = np.abs(sound).reshape(2, -1, SPAN).max(axis=(0, 2))
    assert (heights <= exact + 1e-6).all()
    # Nor is it told to be anywhere: half the spans lie far below the highest.
    assert np.median(reaches) < 0.5 * reaches.max()


def test_the_end_is_that_of_the_mix(track):
    mix = machine()
    longer = round(JOINTS[-1].back_s * RATE_HZ)
    assert mix.frames(0, 1.0, 1e-3) > SECONDS * RATE_HZ
    assert track.frames(0, 1.0, 1e-3) == mix.frames(0, 1.0, 1e-3) + longer
