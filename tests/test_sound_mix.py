"""The mix: balance, room for a soloist, presets. Measured on what is rendered, on both fonts."""

from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from sound_bands import BAR_TICKS, decibels, render, small_band

from generator.sound.fonts import choose_font
from generator.sound.loudness import measure
from generator.sound.mix import expression_gain, pan_gains
from generator.sound.model import SoundSettings
from generator.sound.presets import BALANCE_DB, mix_presets
from generator.sound.synth import Synth
from generator.sound.trims import COMMON_LUFS, measure_trim

SMALL = (Path(find_spec("pretty_midi").origin).parent / "TimGM6mb.sf2").resolve()
BOTH = tuple(dict.fromkeys((choose_font().path, SMALL)))
PARTS = ("drums", "bass", "pad")
RATE_HZ = 44_100


def band():
    """Return the band with drums and bass written at the level that the styles give them."""
    arrangement = small_band(3)
    drums, bass, pad = arrangement.parts
    return replace(arrangement, parts=(replace(drums, level_db=4.0), bass, pad))


def in_band(signal: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Return the energy of a signal between two frequencies."""
    spectrum = np.abs(np.fft.rfft(signal, axis=1)) ** 2
    hz = np.fft.rfftfreq(signal.shape[1], 1 / RATE_HZ)
    return float(spectrum[:, (hz >= low_hz) & (hz < high_hz)].sum())


@pytest.fixture(scope="module", params=BOTH, ids=lambda path: path.stem)
def sounds(request, tmp_path_factory):
    """Render the mix and its stems once a font."""
    folder = tmp_path_factory.mktemp("mix")
    made, _ = render(
        band(), folder, 3 * BAR_TICKS, "mix", *PARTS, settings=SoundSettings(font=request.param)
    )
    return made


@pytest.mark.parametrize(
    ("part", "lowest", "highest"), [("drums", -9, -2), ("bass", -8, -1), ("pad", -16, -6)]
)
def test_each_part_has_its_place(sounds, part, lowest, highest):
    """Loudness against the mix in LU (common practice, no source): rhythm leads, pad lies under."""
    place = measure(sounds[part], RATE_HZ)[0] - measure(sounds["mix"], RATE_HZ)[0]
    assert lowest <= place <= highest


def test_the_pad_leaves_room_for_a_guitar(sounds):
    """At least 3 dB of the mix between 200 Hz and 4 kHz is not pad, and the pad is well under -24.

    How it is measured: energy of the stem and of the mix in that band, over the whole track. A
    guitar at the level of the mix (-18 LUFS) then stands 6 dB or more above the pad there.
    """
    share_db = 10 * np.log10(in_band(sounds["pad"], 200, 4000) / in_band(sounds["mix"], 200, 4000))
    assert share_db <= -3.0
    assert measure(sounds["pad"], RATE_HZ)[0] <= -24.0


def test_the_kick_is_heard_through_the_bass(sounds):
    """In the 60 ms behind a kick that falls together with a bass note, the click of its beater.

    Between 1.5 and 5 kHz, where the bass has little, the drums must be 6 dB above the bass.
    """
    hits = [round(bar * 2.56 * RATE_HZ) for bar in range(3)]
    pieces = {
        part: np.concatenate([sounds[part][:, at : at + 2646] for at in hits], axis=1)
        for part in ("drums", "bass")
    }
    drums, bass = (in_band(pieces[part], 1500, 5000) for part in ("drums", "bass"))
    assert 10 * np.log10(drums / bass) > 6


def test_the_stereo_picture_is_level(sounds):
    """Left and right within 1.5 dB, over the track; no offset; no rumble under 25 Hz."""
    left, right = sounds["mix"]
    assert abs(decibels(left) - decibels(right)) < 1.5
    assert abs(float(sounds["mix"].mean())) < 1e-4
    rumble = in_band(sounds["mix"], 0, 25) / in_band(sounds["mix"], 25, 22_050)
    assert 10 * np.log10(rumble) < -30


@pytest.mark.parametrize("preset", mix_presets(), ids=lambda preset: preset.name)
def test_a_preset_moves_the_parts_by_what_it_says(tmp_path, preset):
    balanced, one = render(
        band(),
        tmp_path,
        2 * BAR_TICKS,
        *PARTS,
        settings=SoundSettings(font=SMALL, loudness_lufs=-24),
    )
    moved, two = render(
        band(),
        tmp_path,
        2 * BAR_TICKS,
        "mix",
        *PARTS,
        settings=SoundSettings(font=SMALL, mix=preset.name, loudness_lufs=-24),
    )
    in_mix = np.zeros_like(moved["mix"])
    for part in PARTS:
        change_db = preset.levels_db.get(part, 0.0)
        if change_db is None:
            continue
        frames = min(moved[part].shape[1], balanced[part].shape[1]) - 5000
        got_db = (decibels(moved[part][:, :frames]) - two.gain_db) - (
            decibels(balanced[part][:, :frames]) - one.gain_db
        )
        # A room answers each tone of a pad by more or by less.
        room = 1.0 if preset.room_db else 0.01
        assert got_db == pytest.approx(change_db, abs=room)
        in_mix += moved[part]
    np.testing.assert_allclose(moved["mix"], in_mix, atol=1e-5)


def test_presets_have_words_and_the_default_comes_first():
    presets = mix_presets()
    assert presets[0].name == "balanced"
    assert all(preset.description for preset in presets)
    assert {part for preset in presets for part in preset.levels_db} <= BALANCE_DB.keys()


@pytest.mark.parametrize("program", [0, 33, 89])
@pytest.mark.parametrize("font", BOTH, ids=lambda path: path.stem)
def test_the_trims_of_the_catalogue_are_what_the_script_measures(font, program):
    """One decimal, on the version of the font that is installed here."""
    known = choose_font(font).trims_db[str(program)]
    with Synth(font, rate_hz=RATE_HZ) as synth:
        assert measure_trim(synth, 0, program) == pytest.approx(known, abs=0.15)
    assert COMMON_LUFS == -20.0


def test_pan_keeps_the_power_and_expression_ends_at_one():
    for pan in np.linspace(-1, 1, 9):
        left, right = pan_gains(float(pan))
        assert left**2 + right**2 == pytest.approx(2.0)
    assert pan_gains(1.0)[0] < 1e-12
    assert [expression_gain(value) for value in (0, 127)] == [0.0, 1.0]
