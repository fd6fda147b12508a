"""Arrangements made by hand for the tests of the sound room."""

import random
from pathlib import Path

import numpy as np
import soundfile

from generator.band.arrangement import Arrangement, Control, Note, Part
from generator.clock import Clock, TempoPoint
from generator.sound import native
from generator.sound.model import AudioTarget, SoundSettings
from generator.sound.recording import Sound
from generator.sound.track import render_audio

CLOCK = Clock((TempoPoint(0, 640_000),))
"""At 48 kHz two ticks are one block of 64 samples: events of a synthesiser fall on the grid."""

GRID_RATE_HZ = 48_000
BAR_TICKS = 3840


def small_band(bars: int = 2, seed: int = 1) -> Arrangement:
    """Return drums with chokes and ghosts, a bass, a pad; starts and lengths on the block grid."""
    rng = random.Random(seed)
    drums, bass, pad = [], [], []
    for bar in range(bars):
        at = bar * BAR_TICKS
        for eighth in range(8):
            key = 46 if eighth == 7 else 42
            start = at + eighth * 480 + 2 * rng.randint(0, 9)
            drums.append(Note(start, start + 96, key, rng.randint(40, 100)))
        drums += [Note(at, at + 96, 36, rng.randint(80, 120)), Note(at, at + 96, 49, 90)]
        drums += [Note(at + 960 * beat, at + 960 * beat + 96, 38, 100) for beat in (1, 3)]
        drums.append(Note(at + 1680, at + 1776, 38, 30))
        for i, key in enumerate((40, 47, 43, 38)):
            bass.append(Note(at + 960 * i, at + 960 * i + 768, key, rng.randint(70, 110)))
        pad += [Note(at, at + 3712, key, 70) for key in (55, 59, 64)]
    parts = (
        Part("drums", 9, 0, tuple(sorted(drums)), reverb_send=0.2),
        Part("bass", 0, 33, tuple(sorted(bass))),
        Part("pad", 1, 89, tuple(sorted(pad)), pan=0.3, reverb_send=0.3),
    )
    return Arrangement("hand-made", 1, parts)


def one_part(
    *notes: Note,
    name: str = "pad",
    program: int = 0,
    controls: tuple[Control, ...] = (),
    reverb_send: float = 0.0,
) -> Arrangement:
    """Return a band of one player."""
    channel = 9 if name == "drums" else 0
    part = Part(name, channel, program, notes, controls, reverb_send=reverb_send)
    return Arrangement("hand-made", 1, (part,))


def render(
    arrangement: Arrangement,
    folder: Path,
    end_tick: int,
    *parts: str,
    format: str = "wav32f",  # noqa: A002, the field's name
    settings: SoundSettings | None = None,
) -> tuple[dict[str, np.ndarray], object]:
    """Render into a folder; return the samples of each part, (2, frames), and the report."""
    targets = tuple(
        AudioTarget(folder / f"{part}.{format}", part, format) for part in parts or ("mix",)
    )
    report = render_audio(arrangement, CLOCK, end_tick, targets, settings or SoundSettings())
    sounds = {
        target.part: soundfile.read(target.path, dtype="float32", always_2d=True)[0].T
        for target in targets
        if format.startswith("wav")
    }
    return sounds, report


def decibels(signal: np.ndarray) -> float:
    """Return the level of a signal, its root mean square in dB."""
    return float(10 * np.log10((signal.astype(np.float64) ** 2).mean() + 1e-30))


def played(dry: native.Dry, frames: int, start: int = 0) -> np.ndarray:
    """Return what a bus plays in a block, (2, frames): each side alone, as a middle of its own."""
    sides = np.empty((2, 3, frames), np.float32)
    native.mix([native.Strip(dry, 1, 0, 0, 1), native.Strip(dry, 0, 1, 0, 2)], start, sides)
    return sides[:, 0]


def heard(sounds: tuple[Sound, ...]) -> np.ndarray:
    """Return a note as a bus plays it, (2, frames)."""
    note = b""
    for sound in sounds:
        shape = (sound.curve, sound.curve_from, 0, 0, sound.gain)
        note += native.packed_sounding(sound.left, sound.right, 0, sound.frames, *shape, 0)
    return played(native.Dry(note), max(sound.frames for sound in sounds))
