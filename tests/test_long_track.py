"""A long track whose sound is spliced is the track that is mixed from beginning to end."""

from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import soundfile
from sound_fonts import click, write_font

from generator.band.arrangement import Note
from generator.chart.parser import parse_chart
from generator.pipeline import abridged as module
from generator.pipeline.options import RenderOptions
from generator.pipeline.prepare import prepare
from generator.pipeline.render import render_track
from generator.pipeline.score import score_of
from generator.pipeline.worked_out import worked_out
from generator.sound.splice import FADE_FRAMES

pytestmark = pytest.mark.xdist_group("long track")

SMALL = (Path(find_spec("pretty_midi").origin).parent / "TimGM6mb.sf2").resolve()
RATE_HZ = 22_050
LOW_HZ = 100
CHART = parse_chart("""Title: Round the Block
Key: A
Tempo: q=173
Style: straight-eighth-rock
Choruses: 50
[A] mf
| A7 | D7 | A7 | / / / / | D7 | / / / / | A7 | F#7 | Bm7 | E7 | A7 F#7 | Bm7 E7 |
""")
PLAIN = RenderOptions(
    formats=("wav32f",), font=SMALL, rate_hz=RATE_HZ, jobs=1, loudness_lufs=-24.0, stems=True
)


def sound(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="float32", always_2d=True)[0].T


@cache
def joints() -> tuple:
    return next(worked_out(CHART, PLAIN)).joints


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """Render the band spliced, and as if it did not come round."""
    made = tmp_path_factory.mktemp("long")
    spliced = render_track(CHART, made / "spliced", PLAIN, name="x")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "abridged", lambda score: score)
        whole = render_track(CHART, made / "whole", PLAIN, name="x")
    return made, spliced, whole


def test_the_chart_comes_round_a_few_times():
    assert len(joints()) >= 2
    assert joints()[0].back_s * RATE_HZ % 1 > 0.1  # no whole number of samples


def test_length_loudness_and_peak_are_the_same(both):
    _, spliced, whole = both
    # Files end with the last span of 64 samples that can be heard.
    assert abs(spliced.duration_s - whole.duration_s) * RATE_HZ < 64
    assert spliced.loudness_lufs == pytest.approx(whole.loudness_lufs, abs=0.01)
    assert spliced.true_peak_dbtp == pytest.approx(
        whole.true_peak_dbtp, abs=0.5
    )  # strokes that coincide lie a sample apart


def test_it_sounds_the_same_everywhere(both):
    """Notes lie a sample apart at most, which at 100 Hz is a turn by 0.028: -31 dB."""
    folder, spliced, whole = both
    one, other = (sound(folder / way / "x.float.wav").mean(axis=0) for way in ("spliced", "whole"))
    other = other[: len(one)]
    size = RATE_HZ
    low = np.fft.rfftfreq(size, 1 / RATE_HZ) < LOW_HZ
    worst = -np.inf
    for start in range(0, len(one) - size, size):
        spectra = [np.fft.rfft(x[start : start + size] * np.hanning(size)) for x in (one, other)]
        power = (np.abs(spectra[1][low]) ** 2).sum()
        if power > 1:
            error = (np.abs(spectra[0][low] - spectra[1][low]) ** 2).sum()
            worst = max(worst, 10 * np.log10(max(error, 1e-20) / power))
    assert worst < 1 + 20 * np.log10(2 * np.pi * LOW_HZ / RATE_HZ)
    before = round(joints()[0].at_s * RATE_HZ) - FADE_FRAMES
    gain = 10 ** ((spliced.loudness_lufs - whole.loudness_lufs) / 20)
    np.testing.assert_allclose(one[:before], other[:before] * gain, atol=2e-4)


def test_a_track_whose_chords_ring_over_a_joint_is_mixed_whole():
    track = prepare(CHART, PLAIN)
    score = score_of(track)
    assert module.abridged(score).joints == joints()
    cycle, clock = track.arrangement.cycle, track.timeline.clock
    pad = next(part for part in track.arrangement.parts if part.name == "pad")
    others = tuple(part for part in track.arrangement.parts if part is not pad)
    last_end = cycle.start_tick + cycle.times * (cycle.end_tick - cycle.start_tick)
    for begins in (cycle.start_tick, cycle.end_tick, last_end - clock.tick(32.0)):
        for lasts_s, is_spliced in ((14.0, True), (18.0, False)):
            held = Note(begins - 10, begins + clock.tick(lasts_s), 60, 80)
            longer = replace(pad, notes=tuple(sorted((*pad.notes, held))))
            changed = replace(track.arrangement, parts=(*others, longer))
            made = module.abridged(replace(score, arrangement=changed))
            assert bool(made.joints) == is_spliced


def test_no_joint_clicks(both):
    folder, _, _ = both
    one, other = (sound(folder / way / "x.float.wav") for way in ("spliced", "whole"))
    for joint in joints():
        at = round(joint.at_s * RATE_HZ)
        near = slice(at - FADE_FRAMES, at + 64)
        bends = [np.abs(np.diff(x[:, near], n=2)).max() for x in (one, other)]
        assert bends[0] <= 1.15 * bends[1]


def test_stems_add_up_to_the_mix(both):
    folder, _, _ = both
    mix = sound(folder / "spliced" / "x.float.wav")
    total = sum(
        sound(folder / "spliced" / f"x.{part}.float.wav")
        for part in ("drums", "bass", "pad", "comp")
    )
    assert 20 * np.log10(np.abs(total - mix).max()) < -80


def test_every_stroke_stands_within_a_sample_of_the_clock(tmp_path):
    """Drums that are single samples: none is lost, none is doubled, none lies elsewhere."""
    font = write_font(tmp_path / "click.sf2", click())
    options = replace(PLAIN, font=font, mute=("bass", "pad", "comp"), stems=False, mix="dry")
    track = prepare(CHART, options)
    render_track(CHART, tmp_path, options, name="x")
    wave = np.abs(sound(tmp_path / "x.float.wav")[0])
    drums = next(part for part in track.arrangement.parts if part.name == "drums")
    ticks = [note.start_tick for note in drums.notes]
    wanted = np.unique(track.timeline.clock.samples_of(ticks, RATE_HZ))
    offsets = np.array([-40 + int(wave[s - 40 : s + 40].argmax()) for s in wanted[100:400]])
    usual = int(np.median(offsets))  # the synthesiser interpolates behind the start of its wave
    assert 0 <= usual <= 4
    loud = 0.02 * wave.max()
    here = np.zeros(len(wave), bool)
    for sample in wanted:
        near = slice(max(0, sample - 8), sample + 24)  # the cut of the low end rings
        assert wave[max(0, sample + usual - 1) : sample + usual + 2].max() > loud
        here[near] = True
    assert wave[~here].max() < loud
