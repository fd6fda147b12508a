"""Drum strokes of any length from one recording: against the synthesiser playing each of them."""

import numpy as np
import pytest

from generator.sound.fonts import choose_font
from generator.sound.notes import NoteKey
from generator.sound.record import record_note
from generator.sound.recorder import Recorder
from generator.sound.recording import Recording
from generator.sound.sf2 import read_font
from generator.sound.synth import Synth

RATE_HZ = 44_100
CLOSED, OPEN, TOM = 42, 46, 41
# (let go, choked) in blocks: choked first, let go first, at once, never choked.
ENDS = ((200, 100), (56, 203), (200, 200), (120, 0), (500, 0), (16, 24))


def plays(pitch: int) -> list[NoteKey]:
    keys = [NoteKey(128, 0, pitch, 127, off, choke, CLOSED if choke else 0) for off, choke in ENDS]
    return keys if pitch != TOM else [key for key in keys if not key.choke_pitch]


@pytest.fixture(scope="module")
def tables():
    return read_font(choose_font().path)


@pytest.mark.parametrize("pitch", [CLOSED, OPEN, TOM])
def test_a_faded_stroke_is_the_one_that_the_synthesiser_plays(tables, pitch):
    assert pitch in tables.steady_releases_s(128, 0)
    with (
        Synth(tables.path, rate_hz=RATE_HZ) as synth,
        Recorder(tables, rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1) as recorder,
    ):
        synth.channel_of(128, 0)
        for key in plays(pitch):
            played = record_note(synth, key, RATE_HZ).astype(np.float64)
            faded = recorder.get(key)[0].decoded()
            frames = min(played.shape[1], faded.shape[1])
            rest = faded[:, :frames] - played[:, :frames]
            # What chokes leaves a soft touch of its own in the recording, about 60 dB down.
            assert np.abs(rest).max() < 10 ** (-55 / 20) * np.abs(played).max()
            assert np.abs(played[:, frames:]).max(initial=0) < 2e-3 * np.abs(played).max()


def test_strokes_of_one_drum_are_recorded_once(tables, monkeypatch):
    recorded = []

    def counted(synth, key, rate_hz):
        recorded.append(key)
        return record_note(synth, key, rate_hz)

    monkeypatch.setattr("generator.sound.player.record_note", counted)
    with Recorder(tables, rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1) as recorder:
        for off in range(100, 200):
            recorder.get(NoteKey(128, 0, OPEN, 127, off, off + 3, CLOSED))
    # One open hat, and a closed one, left alone and choked, that shows that the curve holds.
    assert len(recorded) == 3


def test_where_the_library_fades_otherwise_each_stroke_is_recorded(tables, monkeypatch):
    monkeypatch.setattr("generator.sound.fade._CHOKE_S", 0.2)
    key = plays(OPEN)[0]
    with (
        Synth(tables.path, rate_hz=RATE_HZ) as synth,
        Recorder(tables, rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1) as recorder,
    ):
        synth.channel_of(128, 0)
        expected = Recording.of(record_note(synth, key, RATE_HZ))
        np.testing.assert_array_equal(recorder.get(key)[0].samples, expected.samples)


def test_keys_whose_level_moves_by_itself_are_not_faded(tables):
    """The cymbals and snares of the big font decay by envelope, the organ's release is quick."""
    releases_s = tables.steady_releases_s(128, 0)
    assert 38 not in releases_s
    assert releases_s[OPEN] == pytest.approx(2 ** (5830 / 1200))
