"""The minimum-requirement signals of EBU Tech 3341 that can be synthesised, and ffmpeg's meter.

Source: EBU Tech 3341, "Loudness Metering: EBU Mode metering to supplement EBU R 128 loudness
normalisation", version 4.0 (2023), table 1. Case numbers, levels and tolerances are quoted from
memory of that table. Left out: 7 and 8 (programme material), 9 to 14 (momentary and short-term).
"""

import re
import subprocess

import numpy as np
import pytest
import soundfile

from generator.sound.encode import ffmpeg_program
from generator.sound.loudness import measure

RATE_HZ = 48_000


def tones(*stretches: tuple[float, float], hz: float = 1000.0) -> np.ndarray:
    """Return a stereo sine in stretches of (dBFS, seconds)."""
    level = np.concatenate(
        [np.full(round(seconds * RATE_HZ), 10 ** (dbfs / 20)) for dbfs, seconds in stretches]
    )
    wave = level * np.sin(2 * np.pi * hz * np.arange(len(level)) / RATE_HZ)
    return np.stack([wave, wave]).astype(np.float32)


@pytest.mark.parametrize(
    ("case", "signal", "lufs"),
    [
        (1, tones((-23.0, 20)), -23.0),
        (2, tones((-33.0, 20)), -33.0),
        (3, tones((-36.0, 10), (-23.0, 60), (-36.0, 10)), -23.0),
        (4, tones((-72.0, 10), (-36.0, 10), (-23.0, 60), (-36.0, 10), (-72.0, 10)), -23.0),
        (5, tones((-26.0, 20), (-20.0, 20.1), (-26.0, 20)), -23.0),
    ],
)
def test_integrated_loudness_of_the_gating_signals(case, signal, lufs):
    assert measure(signal, RATE_HZ)[0] == pytest.approx(lufs, abs=0.1), f"case {case}"


def _sine(divisor: int, phase_deg: float, amplitude: float, seconds: float = 1.0) -> np.ndarray:
    n = np.arange(round(seconds * RATE_HZ))
    wave = amplitude * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    ramp = np.minimum(1, np.minimum(n, n[::-1]) / (0.05 * RATE_HZ))  # no click at the ends
    return np.stack([wave * ramp] * 2).astype(np.float32)


@pytest.mark.parametrize(
    ("case", "divisor", "phase_deg", "amplitude", "dbtp"),
    [
        (15, 4, 0, 0.50, -6.0),
        (16, 4, 45, 0.50, -6.0),
        (17, 6, 60, 0.50, -6.0),
        (18, 8, 67.5, 0.50, -6.0),
        (19, 4, 45, 1.41, 3.0),
    ],
)
def test_true_peak_of_sines_between_the_samples(case, divisor, phase_deg, amplitude, dbtp):
    """Tolerance +0.2 / -0.4 dB."""
    reading = measure(_sine(divisor, phase_deg, amplitude), RATE_HZ)[1]
    assert dbtp - 0.4 <= reading <= dbtp + 0.2, f"case {case}"


def test_true_peak_of_a_short_burst():
    """After cases 20 to 23: a peak between samples, from a wave at four times the rate."""
    n = np.arange(4 * RATE_HZ // 10)
    dense = 0.5 * np.sin(2 * np.pi * n / 16) * np.hanning(len(n))
    top = 20 * np.log10(np.abs(dense).max())
    for offset in range(4):
        wave = dense[offset::4].astype(np.float32)
        reading = measure(wave[None], RATE_HZ)[1]
        assert top - 0.4 <= reading <= top + 0.2, f"offset {offset}"


def test_ffmpeg_reads_the_same(tmp_path):
    """The meter of ffmpeg (libavfilter/f_ebur128.c), integrated loudness and true peak."""
    rng = np.random.default_rng(3)
    wave = rng.standard_normal((2, 12 * RATE_HZ)) * 0.1
    wave *= np.repeat(rng.uniform(0.05, 1, 24), RATE_HZ // 2)
    wave = np.clip(wave + 0.3 * tones((-6.0, 12), hz=70.0), -0.9, 0.9).astype(np.float32)
    path = tmp_path / "wave.wav"
    soundfile.write(path, wave.T, RATE_HZ, subtype="FLOAT")
    said = subprocess.run(
        [ffmpeg_program(), "-nostats", "-i", path, "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    summary = said[said.rindex("Summary:") :]
    lufs, dbtp = measure(wave, RATE_HZ)
    assert lufs == pytest.approx(float(re.search(r"I:\s+(\S+) LUFS", summary)[1]), abs=0.1)
    assert dbtp == pytest.approx(float(re.search(r"Peak:\s+(\S+) dBFS", summary)[1]), abs=0.3)
