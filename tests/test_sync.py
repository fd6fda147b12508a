"""Chord map, MIDI and audio of the demo say the same about time, level and pitch."""

import json
import re
import subprocess
from pathlib import Path

import mido
import numpy as np
import pretty_midi
import pytest
import soundfile

from generator.pipeline.options import RenderOptions
from generator.pipeline.prepare import load_chart, prepare
from generator.pipeline.render import render_track

DEMO = Path(__file__).parent.parent / "generator" / "demo.chart"


@pytest.fixture(scope="module")
def track(tmp_path_factory):
    """Render the first two sections of the demo with stems; return folder and stem of the names."""
    folder = tmp_path_factory.mktemp("sync")
    options = RenderOptions(formats=("wav", "mp3", "flac", "midi", "map"), stems=True)
    render_track(DEMO, folder, options, name="t")
    return folder


@pytest.fixture(scope="module")
def chord_map(track):
    return json.loads((track / "t.chordmap.json").read_text(encoding="utf-8"))


def onset_near(samples, rate_hz, time_s, window_s=0.03):
    """Return the time in s where the signal first rises out of what rang before.

    A plain threshold on the rectified signal, so that no library's frames round the time: three
    times the level of the stretch before the window's middle, at least 0.5 % of the window's peak.
    """
    first = max(0, round((time_s - window_s) * rate_hz))
    part = np.abs(samples[first : round((time_s + window_s) * rate_hz)])
    before = part[: round((window_s - 0.006) * rate_hz)].max()
    return (first + int(np.argmax(part > max(3 * before, 0.005 * part.max())))) / rate_hz


def test_a_stroke_of_the_drums_within_5_ms_of_every_downbeat(track, chord_map):
    """Where the drums strike on a downbeat, the audio has them within 5 ms (a rule of ours).

    The drummer's own feel (at most 15 ms) is in the MIDI file, so the audio is held against the
    MIDI note, and the notes of the downbeats against the map on average.
    """
    samples, rate_hz = soundfile.read(track / "t.drums.wav", always_2d=True)
    mono = np.diff(samples.mean(axis=1), n=2)  # a high-pass: what rings on from a fill is low
    midi = pretty_midi.PrettyMIDI(str(track / "t.mid"))
    strokes = np.array(
        sorted(note.start for i in midi.instruments if i.is_drum for note in i.notes)
    )
    errors, drifts = [], []
    for bar in chord_map["bars"]:
        struck = strokes[np.abs(strokes - bar["start_s"]) <= 0.015]
        if not len(struck):
            continue  # a rest, a push
        nearest = struck[0]
        before = mono[max(0, round((nearest - 0.03) * rate_hz)) : round(nearest * rate_hz)]
        after = mono[round(nearest * rate_hz) : round((nearest + 0.03) * rate_hz)]
        if np.abs(after).max() < 10 * np.abs(before).max():
            continue  # a fill rings into it: no clean onset to measure
        onset = onset_near(mono, rate_hz, nearest)
        errors.append(np.abs(onset - struck).min())  # a soft stroke may hide under the next one
        drifts.append(onset - bar["start_s"])
    assert len(errors) >= 20
    assert max(errors) < 0.005
    assert abs(np.mean(drifts)) < 0.005


def test_map_and_midi_agree_on_every_bar_and_chord(track, chord_map):
    """Outside check: pretty_midi turns the ticks of the map into seconds by the MIDI's tempos."""
    midi = pretty_midi.PrettyMIDI(str(track / "t.mid"))
    for bar in chord_map["bars"]:
        assert midi.tick_to_time(bar["start_tick"]) == pytest.approx(bar["start_s"], abs=1e-6)
    texts, now = [], 0
    for message in mido.MidiFile(track / "t.mid").tracks[0]:
        now += message.time
        if message.type == "text":
            texts.append((now, message.text))
    assert [
        (c["start_tick"], c["symbol"]) for c in chord_map["chords"] if c["kind"] == "chord"
    ] == [(tick, text) for tick, text in texts if text not in ("N.C.", "rest")]


def test_audio_files_are_as_the_map_says(track, chord_map):
    from generator.files import sha256_of

    assert {(entry["part"], entry["format"]) for entry in chord_map["audio"]} >= {
        ("mix", "wav"),
        ("mix", "mp3"),
        ("drums", "wav"),
    }
    for entry in chord_map["audio"]:
        path = track / entry["file"]
        assert sha256_of(path) == entry["sha256"]
        assert entry["start_offset_s"] == 0
        if entry["format"] in ("wav", "flac"):
            info = soundfile.info(path)
            assert info.samplerate == entry["sample_rate"]
            assert info.frames / info.samplerate == pytest.approx(entry["duration_s"], abs=1e-6)
        assert entry["duration_s"] >= chord_map["bars"][-1]["end_s"]


def test_mp3_keeps_time_zero_and_length(track):
    """FFmpeg decodes the MP3 to the same samples, so CBR header and delay are right."""
    done = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(track / "t.mp3"), "-f", "f32le", "-ac", "2", "-"],
        capture_output=True,
        check=True,
    )
    heard = np.frombuffer(done.stdout, np.float32).reshape(-1, 2).mean(axis=1)
    meant, rate_hz = soundfile.read(track / "t.wav", dtype="float32")
    meant = meant.mean(axis=1)
    assert abs(len(heard) - len(meant)) <= 1152
    length = min(len(heard), 10 * rate_hz)
    spectrum = np.fft.rfft(heard[:length], 2 * length) * np.conj(
        np.fft.rfft(meant[:length], 2 * length)
    )
    lag = int(np.argmax(np.fft.irfft(spectrum)))
    assert lag in (0, 1, 2 * length - 1)


def ebur128(path):
    """Return integrated loudness and true peak as ffmpeg's meter (EBU R 128) prints them."""
    done = subprocess.run(
        ["ffmpeg", "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    summary = done.stderr[done.stderr.rindex("Summary:") :]
    return tuple(float(re.search(rf"{word}:\s+(-?[\d.]+)", summary)[1]) for word in ("I", "Peak"))


@pytest.mark.parametrize(
    ("name", "peak_dbtp"), [("t.wav", -1.5), ("t.flac", -1.5), ("t.mp3", -1.0)]
)
def test_loudness_and_true_peak_by_ffmpegs_meter(track, name, peak_dbtp):
    loudness, peak = ebur128(track / name)
    assert loudness == pytest.approx(-18, abs=0.5)
    assert peak <= peak_dbtp


def test_tags_name_title_key_and_tempo(track):
    done = subprocess.run(
        ["ffprobe", "-v", "error", "-show_format", "-of", "json", str(track / "t.mp3")],
        capture_output=True,
        text=True,
        check=True,
    )
    tags = json.loads(done.stdout)["format"]["tags"]
    assert tags["title"] == "Lantern Row"
    assert "98" in tags.values()
    assert any(value in ("Em", "E minor") for value in tags.values())


def test_the_midi_has_the_band(track):
    midi = pretty_midi.PrettyMIDI(str(track / "t.mid"))
    names = [instrument.name for instrument in midi.instruments]
    assert names[:3] == ["drums", "bass", "pad"]
    assert midi.resolution == 960
    for instrument in midi.instruments:
        assert len(instrument.notes) > 30


KEYS = ("Cm", "C#m", "Dm", "Ebm", "Em", "Fm", "F#m", "Gm", "G#m", "Am", "Bbm", "Bm")


@pytest.mark.parametrize("key", KEYS)
def test_in_every_key_the_roots_move_by_exactly_the_interval(key):
    chart = load_chart(DEMO)
    plain = prepare(chart)
    moved = prepare(chart, RenderOptions(key=key))
    interval = (moved.chart.key.tonic.pitch_class - chart.key.tonic.pitch_class) % 12
    pairs = zip(plain.timeline.chords, moved.timeline.chords, strict=True)
    for before, after in pairs:
        assert (before.chord is None) == (after.chord is None)
        if before.chord is not None and after.chord is not None:
            shift = after.chord.root.pitch_class - before.chord.root.pitch_class
            assert shift % 12 == interval
            assert {(p + interval) % 12 for p in before.chord.pitch_classes} == set(
                after.chord.pitch_classes
            )
    assert [n.start_tick for n in plain.arrangement.parts[0].notes] == [
        n.start_tick for n in moved.arrangement.parts[0].notes
    ], "the drums do not depend on the key"
