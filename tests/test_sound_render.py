"""What is rendered is what was arranged: against a straight rendering, sample by sample."""

import sys
from dataclasses import replace
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_bands import (
    BAR_TICKS,
    CLOCK,
    GRID_RATE_HZ,
    decibels,
    one_part,
    played,
    render,
    small_band,
)
from sound_fonts import click, sine, write_font

from generator.band.arrangement import Control, Note
from generator.errors import FontError, MissingToolError, OptionError, OutputError, SynthError
from generator.sound.fonts import check_font, choose_font
from generator.sound.mix import Bus, Channel, expression_gain
from generator.sound.model import AudioTarget, SoundSettings
from generator.sound.notes import plan_part
from generator.sound.recorder import Recorder
from generator.sound.straight import StraightBus
from generator.sound.track import render_audio

SMALL = (Path(find_spec("pretty_midi").origin).parent / "TimGM6mb.sf2").resolve()
BOTH = tuple(dict.fromkeys((choose_font().path, SMALL)))
PLAIN = SoundSettings(font=SMALL)


def dry(part, font_path, frames, rate_hz=GRID_RATE_HZ):
    """Return a part dry, placed and straight, and what was planned."""
    font = check_font(font_path)
    planned = plan_part(part, CLOCK, font, rate_hz)
    curve = tuple((CLOCK.samples(c.tick, rate_hz), expression_gain(c.value)) for c in part.controls)
    channel = Channel(part.name, planned, 1.0, 0.0, 0.0, curve)
    with Recorder(font, rate_hz=rate_hz, tuning_hz=440.0, jobs=1) as recorder:
        placed = played(Bus(channel, rate_hz, recorder).block(0, frames), frames)
    straight = StraightBus(channel, part, CLOCK, font_path, rate_hz=rate_hz)
    try:
        return placed, straight.block(0, frames).ready, planned
    finally:
        straight.close()


@pytest.mark.parametrize("font", BOTH, ids=lambda path: path.stem)
@pytest.mark.parametrize("number", range(3), ids=["drums", "bass", "pad"])
def test_a_part_is_what_one_synthesiser_plays(font, number, record_property):
    """Residual at most -60 dB outside the first 64 samples of notes (a voice's own state there)."""
    part = small_band().parts[number]
    frames = 64 * 6000
    placed, straight, planned = dry(part, font, frames)
    inside = np.ones(frames, bool)
    for placement in planned:
        inside[placement.start_sample : placement.start_sample + 64] = False
    residual_db = decibels((placed - straight)[:, inside]) - decibels(straight[:, inside])
    record_property("residual_db", round(residual_db, 1))
    assert decibels(straight) > -60
    assert residual_db <= -60


def test_expression_follows_the_synthesiser():
    """FluidSynth rounds levels to 0.1 dB, the gain here is exact: 0.1 dB is all between them."""
    notes = tuple(Note(0, 3840, key, 80) for key in (55, 62))
    controls = tuple(Control(960 * i, 11, value) for i, value in enumerate((127, 90, 40, 110)))
    part = replace(small_band().parts[2], notes=notes, controls=controls)
    placed, straight, _ = dry(part, SMALL, 64 * 1920)
    for beat in range(4):
        some = slice(beat * 30_720 + 1000, (beat + 1) * 30_720)
        assert decibels(placed[:, some]) == pytest.approx(decibels(straight[:, some]), abs=0.1)


def test_the_same_bits_every_time_and_with_any_number_of_threads(tmp_path):
    digests = set()
    for jobs in (1, 2, 3, 1):
        _, report = render(
            small_band(4), tmp_path, 4 * BAR_TICKS, format="wav", settings=replace(PLAIN, jobs=jobs)
        )
        digests.add(report.files[0].sha256)
    assert len(digests) == 1


def test_the_same_bits_when_memory_is_short(tmp_path, monkeypatch):
    _, plenty = render(small_band(3), tmp_path, 3 * BAR_TICKS, settings=PLAIN)
    monkeypatch.setattr("generator.sound.recorder._MEMORY_BYTES", 1 << 20)
    _, short = render(small_band(3), tmp_path, 3 * BAR_TICKS, settings=PLAIN)
    assert plenty.files[0].sha256 == short.files[0].sha256


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_an_onset_stands_at_the_sample_of_the_clock(tmp_path, rate_hz):
    """A font whose only sound is one sample, which the room is told to leave alone."""
    font = write_font(tmp_path / "click.sf2", click())
    ticks = [0, 333, 961, 1500, 2877, 3840 + 7]
    arrangement = one_part(*(Note(tick, tick + 100, 38, 100) for tick in ticks), name="drums")
    sounds, _ = render(
        arrangement,
        tmp_path,
        2 * BAR_TICKS,
        settings=SoundSettings(font=font, rate_hz=rate_hz, loudness_lufs=-30),
    )
    wave = np.abs(sounds["mix"][0])
    for tick in ticks:
        sample = CLOCK.samples(tick, rate_hz)
        near = slice(max(0, sample - 40), sample + 40)
        # The synthesiser interpolates over a few samples behind the start of its wave.
        assert 0 <= near.start + int(wave[near].argmax()) - sample <= 4


def test_stems_add_up_to_the_mix(tmp_path):
    band = small_band(2)
    sounds, report = render(
        band, tmp_path, 2 * BAR_TICKS, "mix", "drums", "bass", "pad", settings=PLAIN
    )
    total = sounds["drums"] + sounds["bass"] + sounds["pad"]
    difference = np.abs(total - sounds["mix"]).max() / 10 ** (report.gain_db / 20)
    assert 20 * np.log10(difference) < -80
    assert len({sound.shape for sound in sounds.values()}) == 1


def test_muting_a_part_leaves_the_others_untouched(tmp_path):
    band = small_band(2)
    whole, one = render(band, tmp_path, 2 * BAR_TICKS, "mix", "drums", "pad", settings=PLAIN)
    muted, two = render(
        band,
        tmp_path,
        2 * BAR_TICKS,
        "mix",
        "drums",
        "pad",
        settings=replace(PLAIN, mute=("bass",)),
    )
    back = 10 ** ((one.gain_db - two.gain_db) / 20)
    for part in ("drums", "pad"):
        frames = min(whole[part].shape[1], muted[part].shape[1]) - 4000
        np.testing.assert_allclose(
            muted[part][:, :frames] * back, whole[part][:, :frames], atol=2e-6
        )
    frames = muted["mix"].shape[1]
    np.testing.assert_allclose(muted["mix"], (muted["drums"] + muted["pad"])[:, :frames], atol=2e-6)


def test_a_stop_is_silent(tmp_path):
    """300 ms into a stop the sound is below -50 dBFS, cymbals, pad and room included."""
    band = small_band(2)
    stop = (BAR_TICKS + 960, BAR_TICKS + 2880)
    parts = tuple(
        replace(part, notes=tuple(n for n in part.notes if not stop[0] <= n.start_tick < stop[1]))
        for part in band.parts
    )
    sounds, _ = render(
        replace(band, parts=parts),
        tmp_path,
        2 * BAR_TICKS,
        settings=replace(PLAIN, silences=(stop,)),
    )
    rate_hz = PLAIN.rate_hz
    first, last = (CLOCK.samples(tick, rate_hz) for tick in stop)
    still = np.abs(sounds["mix"][:, first + round(0.3 * rate_hz) : last - 100])
    assert 20 * np.log10(still.max()) < -50
    assert decibels(sounds["mix"][:, first - 10_000 : first]) > -35
    assert decibels(sounds["mix"][:, last : last + 10_000]) > -35


def test_the_tail_rings_out_and_ends_softly(tmp_path):
    """The file goes on behind the end of the music until it is below -70 dBFS."""
    arrangement = one_part(Note(0, 960, 49, 110), name="drums", reverb_send=0.3)
    sounds, report = render(arrangement, tmp_path, 960, settings=PLAIN)
    wave = sounds["mix"]
    end = CLOCK.samples(960, 44_100)
    assert report.files[0].frames == wave.shape[1] > end + 22_050
    assert 20 * np.log10(np.abs(wave[:, -64:]).max()) < -68
    steps = np.abs(np.diff(wave[:, -2000:], axis=1)).max()
    assert steps < 1e-3


def test_the_file_is_no_shorter_than_the_music(tmp_path):
    sounds, _ = render(one_part(Note(0, 96, 42, 90), name="drums"), tmp_path, 5000, settings=PLAIN)
    assert sounds["mix"].shape[1] >= CLOCK.samples(5000, 44_100)


def test_the_low_end_is_in_the_middle(tmp_path):
    """Correlation of left and right at least 0.95 below 120 Hz (common practice, no source)."""
    sounds, _ = render(small_band(2), tmp_path, 2 * BAR_TICKS)
    spectrum = np.fft.rfft(sounds["mix"], axis=1)
    hz = np.fft.rfftfreq(sounds["mix"].shape[1], 1 / 44_100)
    low = spectrum[:, (hz > 20) & (hz < 120)]
    cross = (low[0] * low[1].conj()).sum().real
    assert cross / np.sqrt((abs(low[0]) ** 2).sum() * (abs(low[1]) ** 2).sum()) >= 0.95


def test_five_thousand_notes_at_once_lose_none(tmp_path):
    """Each is the same click, so that the sum tells how many there were."""
    font = write_font(tmp_path / "click.sf2", click())
    tables = check_font(font)
    peaks = []
    for many in (1, 5000):
        part = one_part(*(Note(960, 1000, 60, 100) for _ in range(many))).parts[0]
        planned = plan_part(part, CLOCK, tables, 44_100)
        with Recorder(tables, rate_hz=44_100, tuning_hz=440.0, jobs=1) as recorder:
            bus = Bus(Channel("pad", planned, 1.0, 0.0, 0.0), 44_100, recorder)
            peaks.append(float(np.abs(played(bus.block(0, 64 * 1000), 64 * 1000)).max()))
    assert peaks[1] == pytest.approx(5000 * peaks[0], rel=1e-3)


def test_a_note_of_thirty_seconds_loops_without_a_click(tmp_path):
    """A looped sine stays one sine: what is left beside its line is small, everywhere."""
    tables = check_font(write_font(tmp_path / "sine.sf2", sine(), looped=True))
    ticks = CLOCK.tick(30.0)
    part = one_part(Note(0, ticks, 69, 127)).parts[0]
    planned = plan_part(part, CLOCK, tables, 48_000)
    with Recorder(tables, rate_hz=48_000, tuning_hz=440.0, jobs=1) as recorder:
        (sound,) = recorder.get(planned[0].key)
    wave = sound.recording.decoded()[0, 4800 : 29 * 48_000].astype(np.float64)
    # A pure tone obeys x[n+1] + x[n-1] = 2 cos(w) x[n]; a click breaks it.
    residual = wave[2:] + wave[:-2] - 2 * np.cos(2 * np.pi * 440 / 48_000) * wave[1:-1]
    assert np.abs(residual).max() < 0.002 * np.abs(wave).max()
    assert wave.size > 28 * 48_000


@pytest.mark.parametrize("tuning_hz", [440.0, 432.0, 443.0])
def test_every_a_is_in_tune(tmp_path, tuning_hz):
    """Within 1 cent of ISO 16 (A4 = 440 Hz), or of the tuning asked for, in every octave."""
    tables = check_font(write_font(tmp_path / "sine.sf2", sine(), looped=True))
    with Recorder(tables, rate_hz=48_000, tuning_hz=tuning_hz, jobs=1) as recorder:
        for key in range(33, 106, 12):
            planned = plan_part(one_part(Note(0, 3000, key, 127)).parts[0], CLOCK, tables, 48_000)
            (sound,) = recorder.get(planned[0].key)
            wave = sound.recording.decoded()[0, 4800:81_600]
            spectrum = np.log(np.abs(np.fft.rfft(wave * np.hanning(len(wave)))) + 1e-12)
            top = int(spectrum.argmax())
            a, b, c = spectrum[top - 1 : top + 2]
            hz = (top + (a - c) / (2 * (a - 2 * b + c))) * 48_000 / len(wave)
            cents = 1200 * np.log2(hz / (tuning_hz * 2 ** ((key - 69) / 12)))
            assert abs(cents) < 1, key


@pytest.mark.parametrize("render_way", ["notes", "straight"])
def test_both_ways_reach_the_loudness(tmp_path, render_way):
    _, report = render(
        small_band(2), tmp_path, 2 * BAR_TICKS, settings=replace(PLAIN, render=render_way)
    )
    assert report.files[0].loudness_lufs == pytest.approx(-18, abs=0.1)
    assert report.files[0].true_peak_dbtp <= -1.5


def test_a_silent_band_gives_a_silent_file(tmp_path):
    sounds, report = render(one_part(name="bass"), tmp_path, 960, "mix", "drums", settings=PLAIN)
    assert not sounds["mix"].any()
    assert not sounds["drums"].any()
    assert "silent" in report.remarks[0]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"loudness_lufs": 0.0}, "loudness must be -40 to -9, got 0"),
        ({"tuning_hz": 4.4}, "tuning must be 380 to 480, got 4.4"),
        ({"rate_hz": 8000}, "sample rate must be 22050 to 96000, got 8000"),
        ({"mix": "loud"}, "no mix preset is called 'loud'; choose one of balanced"),
        ({"font": Path("nowhere.sf2")}, "nowhere.sf2: the font cannot be read"),
    ],
)
def test_senseless_settings_are_refused_before_anything_is_written(tmp_path, change, message):
    with pytest.raises((OptionError, FontError), match=message):
        render(small_band(1), tmp_path, BAR_TICKS, settings=replace(PLAIN, **change))
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_when_it_fails_or_is_interrupted(tmp_path):
    targets = tuple(
        AudioTarget(tmp_path / f"mix.{kind}", "mix", kind) for kind in ("wav", "flac", "mp3")
    )

    def interrupt(share: float) -> None:
        if share > 0.9:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_audio(small_band(4), CLOCK, 4 * BAR_TICKS, targets, PLAIN, interrupt)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OutputError, match="cannot be written"):
        render_audio(
            small_band(1), CLOCK, BAR_TICKS, (AudioTarget(tmp_path / "no" / "x.wav"),), PLAIN
        )
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_told(tmp_path, monkeypatch):
    class Full:
        def write(self, data):
            raise OSError(28, "No space left on device")

        def close(self):
            pass

    monkeypatch.setattr("generator.sound.spool.tempfile.TemporaryFile", lambda **_: Full())
    with pytest.raises(OutputError, match=r"no room for the unlevelled sound.*No space left"):
        render(small_band(1), tmp_path, BAR_TICKS, settings=PLAIN)
    assert list(tmp_path.iterdir()) == []


def test_progress_goes_from_nothing_to_all(tmp_path):
    seen = []
    render_audio(
        small_band(2), CLOCK, 2 * BAR_TICKS, (AudioTarget(tmp_path / "x.wav"),), PLAIN, seen.append
    )
    assert all(a <= b for a, b in pairwise(seen))
    assert seen[-1] == 1.0


def test_the_report_is_true(tmp_path):
    _, report = render(small_band(2), tmp_path, 2 * BAR_TICKS, format="wav", settings=PLAIN)
    file = report.files[0]
    info = soundfile.info(file.path)
    assert (file.frames, file.sample_rate_hz) == (info.frames, info.samplerate)
    assert file.duration_s == pytest.approx(info.frames / info.samplerate)
    assert file.start_offset_s == 0.0
    assert report.total_notes == sum(len(part.notes) for part in small_band(2).parts)
    assert report.distinct_notes < report.total_notes


def test_the_synthesiser_says_no_in_words():
    from generator.sound.synth import Synth

    with Synth(SMALL, rate_hz=44_100) as synth:
        with pytest.raises(SynthError, match="FluidSynth refused: no preset 5 in bank 99"):
            synth.choose(0, 99, 5)
        with pytest.raises(SynthError, match="FluidSynth refused: note on 300"):
            synth.note_on(0, 300, 100)


def test_without_the_library_the_line_that_installs_it_is_given(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "fluidsynth", None)
    with pytest.raises(MissingToolError, match="FluidSynth library was not found; install it: apt"):
        render(small_band(1), tmp_path, BAR_TICKS, settings=PLAIN)
    assert list(tmp_path.iterdir()) == []


def test_a_font_without_the_program_of_a_part_is_refused(tmp_path):
    part = replace(small_band(1).parts[0], program=77)
    band = replace(small_band(1), parts=(part,))
    with pytest.raises(FontError, match="lacks drum kit 77, which the part 'drums' plays"):
        render(band, tmp_path, BAR_TICKS, settings=PLAIN)
    assert list(tmp_path.iterdir()) == []
