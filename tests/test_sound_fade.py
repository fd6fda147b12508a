"""Notes of any length from one recording: against the synthesiser playing each of them."""

import numpy as np
import pytest
from scipy.signal import bilinear, group_delay

from generator.band.style import load_style
from generator.band.style_catalogue import style_names
from generator.sound import fade
from generator.sound.cache import NoteCache
from generator.sound.fade import release, risen_blocks
from generator.sound.fonts import choose_font
from generator.sound.notes import HELD_BLOCKS, NoteKey, Placement
from generator.sound.player import Player
from generator.sound.preset import Envelope, Preset, Zone
from generator.sound.record import record_note
from generator.sound.recorder import Recorder
from generator.sound.sf2 import read_font
from generator.sound.synth import BLOCK, Synth
from tests.sound_bands import heard
from tests.sound_fonts import sine, write_font

RATE_HZ = 44_100
CLOSED, OPEN, TOM, SNARE, CRASH = 42, 46, 41, 38, 49
# (let go, choked) in blocks: choked first, let go first, at once, never choked.
ENDS = ((200, 100), (56, 203), (200, 200), (120, 0), (500, 0), (20, 24))


def plays(pitch: int) -> list[NoteKey]:
    keys = [NoteKey(128, 0, pitch, 127, off, choke, CLOSED if choke else 0) for off, choke in ENDS]
    return keys if pitch in (CLOSED, OPEN) else [key for key in keys if not key.choke_pitch]


@pytest.fixture(scope="module")
def tables():
    return read_font(choose_font().path)


@pytest.fixture
def synth(tables):
    with Synth(tables.path, rate_hz=RATE_HZ) as synth:
        yield synth


@pytest.fixture
def recorder(tables):
    with Recorder(tables, rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1) as recorder:
        yield recorder


@pytest.fixture
def recorded(monkeypatch):
    """Return the keys that were recorded, in order."""
    keys = []

    def counted(synth, key, rate_hz, kept=()):
        keys.append(key)
        return record_note(synth, key, rate_hz, kept)

    monkeypatch.setattr("generator.sound.player.record_note", counted)
    return keys


def beside_db(recorder: Recorder, synth: Synth, key: NoteKey) -> float:
    """Return the energy of what a note of ours leaves beside the synthesiser's, against it."""
    played = record_note(synth, key, RATE_HZ).decoded().astype(np.float64)
    ours = heard(recorder.get(key))
    frames = max(played.shape[1], ours.shape[1])
    both = [np.pad(each, ((0, 0), (0, frames - each.shape[1]))) for each in (ours, played)]
    rest = both[0] - both[1]
    return 10 * np.log10((rest**2).sum() / (both[1] ** 2).sum() + 1e-30)


def is_faded(recorder: Recorder, key: NoteKey) -> bool:
    return all(sound.curve for sound in recorder.get(key))


@pytest.mark.parametrize("pitch", [CLOSED, OPEN, TOM, SNARE, CRASH])
def test_a_faded_stroke_is_the_one_that_the_synthesiser_plays(recorder, synth, pitch):
    for key in plays(pitch):
        # What chokes leaves a soft touch of its own in the recording, about 60 dB down.
        assert beside_db(recorder, synth, key) < (-55 if key.choke_pitch else -60)
        assert is_faded(recorder, key)


PROGRAMS = sorted(
    {
        part.program
        for name in style_names()
        for style in [load_style(name)]
        for part in (style.bass, style.pad, style.comp)
        if part
    }
)
RECORDED_WHOLE = {89}
"""Of those: how its filters move depends on when it is let go."""


@pytest.mark.parametrize("program", PROGRAMS)
def test_a_faded_note_is_the_one_that_the_synthesiser_plays(recorder, synth, program):
    """Short and long ones, low and high ones, with each release that a touch brings."""
    faded = 0
    for pitch, velocity, blocks in (
        *((40, 127, 260), (52, 100, 400), (64, 70, 1000), (76, 50, 300)),
        *((45, 90, 30), (57, 115, 90), (69, 60, 2500), (33, 80, 900), (50, 110, 600)),
    ):
        key = NoteKey(0, program, pitch, velocity, blocks)
        faded += is_faded(recorder, key)
        assert beside_db(recorder, synth, key) < -60, key
    assert (faded > 0) != (program in RECORDED_WHOLE)


def test_notes_of_one_key_are_recorded_once(recorder, recorded):
    keys = [NoteKey(0, 33, 43, velocity, blocks) for velocity, blocks in ((99, 100), (40, 300))]
    recorder.begin([[Placement(0, key) for key in keys]])
    for key in keys:
        recorder.get(key)
    # One held key, and what shows that the curve holds: a note held, and let go.
    assert [(key.pitch, key.velocity, key.held) for key in recorded] == [
        (40, 100, 0),
        (40, 100, 1),
        (43, 127, 1),
    ]


def test_a_key_is_held_for_as_long_as_its_longest_note_rings(recorder, recorded, monkeypatch):
    """Rounded up, lest each track of a pack holds it for a time of its own."""
    keys = [NoteKey(0, 33, 43, 100, blocks) for blocks in (100, 500)]
    recorder.begin([[Placement(0, key) for key in keys]])
    _, (fade,) = recorder._player.heard_as(keys[1])
    rings = 500 + len(fade.curve) - 1
    recorder.get(keys[0])
    assert recorded[-1].duration_blocks == min(n for n in HELD_BLOCKS if n >= rings)
    monkeypatch.setattr("generator.sound.recorder.HELD_BLOCKS", [256])
    recorder.begin([[Placement(0, keys[1])]])
    recorder.get(keys[1])
    assert recorded[-1].duration_blocks == rings


def test_strokes_of_one_drum_are_recorded_once(recorder, recorded):
    for off in range(100, 140):
        recorder.get(NoteKey(128, 0, OPEN, 127, off, off + 3, CLOSED))
    assert [key.held for key in recorded if key.pitch == OPEN] == [1]


@pytest.mark.parametrize("figure", ["_DEPTH_CB", "_CHOKE_TIMECENTS"])
def test_where_the_library_fades_otherwise_each_stroke_is_recorded(
    recorder, synth, monkeypatch, figure
):
    monkeypatch.setattr(f"generator.sound.fade.{figure}", 900)
    for known in (fade._curve, fade._fall):
        known.cache_clear()
    key = plays(OPEN)[0]
    synth.channel_of(128, 0)
    expected = record_note(synth, key, RATE_HZ)
    (sound,) = recorder.get(key)
    assert not sound.curve
    np.testing.assert_array_equal(sound.recording.samples, expected.samples)
    for known in (fade._curve, fade._fall):
        known.cache_clear()


def test_a_note_let_go_before_it_has_risen_is_recorded(recorder):
    """The strings of the big font take 0.3 s to rise."""
    assert not is_faded(recorder, NoteKey(0, 49, 60, 100, 150))
    assert is_faded(recorder, NoteKey(0, 49, 60, 100, 300))


@pytest.mark.parametrize(("program", "envelopes"), [(27, 2), (35, 2), (89, 2)])
def test_layers_that_are_recorded_apart_add_up_to_the_key(tables, synth, program, envelopes):
    preset = tables.preset(0, program)
    layers = preset.envelopes(52, 100)
    assert len(layers) == envelopes
    key = NoteKey(0, program, 52, 100, 500, held=1)
    whole = record_note(synth, key, RATE_HZ).decoded().astype(float)
    parts = [
        record_note(synth, key, RATE_HZ, preset.generators(52, 100, number)).decoded()
        for number in range(1, envelopes + 1)
    ]
    for part in parts:
        assert 0.05 < np.abs(part).max() / np.abs(whole).max() < 1.5
        assert np.abs(whole - part).max() > 0.05 * np.abs(whole).max()
    # Each is kept in 16 bits of its own height.
    assert np.abs(sum(parts) - whole).max() < 1e-4 * np.abs(whole).max()


@pytest.mark.parametrize("program", [26, 27, 32, 35])
def test_filtered_sound_fades_later_than_its_level(recorder, synth, monkeypatch, program):
    """What a filter holds back counts: without that, eight times as much would be left."""
    key = NoteKey(0, program, 40, 100, 600)
    late_db = beside_db(recorder, synth, key)
    monkeypatch.setattr("generator.sound.preset._lag_us", lambda *_: 0)
    with Recorder(
        read_font(choose_font().path), rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1
    ) as at_once:
        monkeypatch.setattr(at_once._player, "_earliest", lambda *_: 16)
        assert is_faded(at_once, key)
        assert late_db < beside_db(at_once, synth, key) - 9


@pytest.mark.parametrize("delay_cents", [-12_000, -9_001, -8_000, -3_986])
def test_a_recording_does_not_depend_on_what_the_synthesiser_played_before(tmp_path, delay_cents):
    """A voice of FluidSynth that begins late keeps the level of the note before until then."""
    font = write_font(tmp_path / "late.sf2", sine(220.0), looped=True, delay_cents=delay_cents)
    key = NoteKey(bank=0, program=3, pitch=60, velocity=90, duration_blocks=200)

    def recorded(*before: NoteKey) -> np.ndarray:
        with Synth(font, rate_hz=RATE_HZ) as synth:
            for note in before:
                record_note(synth, note, RATE_HZ)
            return record_note(synth, key, RATE_HZ).decoded()

    alone = recorded()
    begins = int(np.argmax(np.abs(alone[0]) > 0))
    delay_samples = 2 ** (delay_cents / 1200) * RATE_HZ
    assert begins == pytest.approx(delay_samples, abs=2 * BLOCK)
    for before in (key, key._replace(velocity=20), key._replace(pitch=84, duration_blocks=3)):
        np.testing.assert_array_equal(recorded(before), alone)


def test_what_a_note_sounds_like_does_not_depend_on_what_was_asked_before(tables):
    keys = [NoteKey(0, 33, 40, 100, blocks) for blocks in (60, 400, 90)]
    placements = [Placement(0, key) for key in keys]
    sounds = []
    for order in (keys, keys[::-1]):
        with Recorder(tables, rate_hz=RATE_HZ, tuning_hz=440.0, jobs=1) as recorder:
            recorder.begin([placements])
            sounds.append({key: heard(recorder.get(key)) for key in order})
    for key in keys:
        np.testing.assert_array_equal(sounds[0][key], sounds[1][key])


def zone(generators: dict[int, int], *, moves: bool = False) -> Zone:
    words = {number: value & 0xFFFF for number, value in generators.items()}
    return Zone(words, velocity_shapes=False, envelope_moves=moves)


LOUD, SOFT = 100 | 127 << 8, 1 | 99 << 8  # ranges of velocity


@pytest.mark.parametrize(("bank", "program", "pitch"), [(0, 4, 60), (0, 33, 40), (128, 0, CRASH)])
def test_what_was_held_for_longer_begins_like_what_is_held_for_less(
    tables, recorded, tmp_path, bank, program, pitch
):
    """To the last bit, so that no track depends on those before it; and nothing is recorded."""
    settings = {"rate_hz": RATE_HZ, "tuning_hz": 440.0}
    alone = Player(tables, **settings)
    cache = NoteCache(tmp_path, tables.path, **settings)
    player = Player(tables, **settings, cache=cache)
    longest = NoteKey(bank, program, pitch, 100, HELD_BLOCKS[5], held=1)
    player.recording(longest)
    cache.seal()
    recorded.clear()
    for blocks in HELD_BLOCKS[:5]:
        key = longest._replace(duration_blocks=blocks)
        short = player.recording(key)
        assert not recorded
        anew = alone.recording(key)
        recorded.clear()
        np.testing.assert_array_equal(short.samples, anew.samples)
        assert (short.scale, short.frames) == (anew.scale, anew.frames)
        assert short.own_bytes == 0 < anew.own_bytes
    alone.close()
    player.close()


def test_where_the_rest_of_it_is_louder_a_note_is_recorded_anew(tables, recorded, tmp_path):
    """Twice as high is another scale: strings swell."""
    settings = {"rate_hz": RATE_HZ, "tuning_hz": 440.0}
    cache = NoteCache(tmp_path, tables.path, **settings)
    player = Player(tables, **settings, cache=cache)
    longest = NoteKey(0, 49, 50, 100, HELD_BLOCKS[6], held=1)
    held = player.recording(longest)
    assert held.scaled_by > HELD_BLOCKS[0] * BLOCK
    cache.seal()
    recorded.clear()
    key = longest._replace(duration_blocks=HELD_BLOCKS[0])
    short = player.recording(key)
    assert recorded == [key]
    assert short.scale < held.scale
    player.close()


def test_what_swells_has_one_scale_from_soon_on(tables, recorded, tmp_path):
    """Though it grows louder still; and each length is what it is when it is recorded alone."""
    settings = {"rate_hz": RATE_HZ, "tuning_hz": 440.0}
    alone = Player(tables, **settings)
    cache = NoteCache(tmp_path, tables.path, **settings)
    player = Player(tables, **settings, cache=cache)
    longest = NoteKey(0, 49, 69, 100, HELD_BLOCKS[8], held=1)
    held = player.recording(longest)
    cache.seal()
    softer = 0
    for blocks in HELD_BLOCKS[:8]:
        key = longest._replace(duration_blocks=blocks)
        recorded.clear()
        short = player.recording(key)
        is_beginning = blocks * BLOCK >= held.scaled_by
        assert recorded == ([] if is_beginning else [key])
        softer += is_beginning and np.abs(short.samples).max() < np.abs(held.samples).max()
        anew = alone.recording(key)
        np.testing.assert_array_equal(short.samples, anew.samples)
        assert (short.scale, short.frames) == (anew.scale, anew.frames)
    assert softer > 1
    alone.close()
    player.close()


@pytest.mark.parametrize(("program", "stays"), [(49, True), (24, False)])
def test_where_more_tracks_come_a_key_that_stays_is_recorded_for_them_too(
    tables, recorded, tmp_path, program, stays
):
    """Strings are held for as long as any key of them is; a guitar falls silent by itself.

    The note that was asked for is the same bits, and its memory is that of the file.
    """
    settings = {"rate_hz": RATE_HZ, "tuning_hz": 440.0}
    key = NoteKey(0, program, 60, 100, HELD_BLOCKS[4], held=1)
    longest = key._replace(duration_blocks=HELD_BLOCKS[7])
    player = Player(tables, **settings, cache=NoteCache(tmp_path, tables.path, **settings))
    player.hold_on(0, program, longest.duration_blocks)
    player.hold_on(0, program, HELD_BLOCKS[2])
    player.hold_on(0, 1, HELD_BLOCKS[9])
    ours = player.recording(key)
    assert recorded == [longest if stays else key]
    assert (ours.own_bytes == 0) == stays
    recorded.clear()
    player.recording(longest)
    assert recorded == ([] if stays else [longest])
    alone = Player(tables, **settings)
    anew = alone.recording(key)
    np.testing.assert_array_equal(ours.samples, anew.samples)
    assert (ours.scale, ours.frames) == (anew.scale, anew.frames)
    alone.close()
    player.close()


def test_envelopes_add_up_and_depend_on_key_and_touch():
    """SoundFont 2.04, 8.1.2 (generators 33 to 40) and 9.4: preset zones add to the samples'."""
    inner = zone({34: -2000, 35: -500, 36: 2400, 37: 300, 38: 100, 39: 10, 40: 20})
    preset = Preset([(zone({44: LOUD, 38: 50}), inner), (zone({44: SOFT, 38: 900}), inner)])
    assert preset.envelopes(60, 127) == (Envelope(-12_000, -2000, -500, 2400, 300, 150),)
    assert preset.envelopes(48, 50) == (Envelope(-12_000, -2000, -380, 2640, 300, 1000),)
    assert preset.touch_edges(60) == (1, 100)
    assert preset.held_edges(60) == (1,)  # only how it is let go differs


def layered(*inner: Zone) -> Preset:
    return Preset([(zone({}), each) for each in inner])


def test_samples_of_a_key_that_follow_one_envelope_are_a_layer():
    releases = 0, 1200, 0, 2400
    quick, slow, as_quick, slower = (zone({38: release}) for release in releases)
    preset = layered(quick, slow, as_quick)
    several = preset.envelopes(60, 100)
    assert [envelope.release for envelope in several] == [0, 1200]
    (row,) = preset.generators(60, 100, 2)
    none = -12_000
    assert row == (13_500, 0, none, none, none, none, 0, 1200, 0, 0)
    assert layered(quick, as_quick).generators(60, 100, 1) == ()  # all of them
    assert len(layered(quick, slow, slower).envelopes(60, 100)) == 3
    assert not layered(quick, slow, slower, zone({38: 3600})).envelopes(60, 100)
    assert len(layered(quick, zone({8: 6000, 38: 0})).envelopes(60, 100)) == 2


def test_where_it_cannot_be_told_how_one_sample_moves_a_key_has_no_envelopes():
    assert not layered(zone({54: 3})).envelopes(60, 100)
    assert not layered(zone({}, moves=True)).envelopes(60, 100)
    assert not layered(zone({}), zone({54: 3})).envelopes(60, 100)
    assert not Preset([(zone({44: SOFT}), zone({}))]).envelopes(60, 100)  # silent
    assert layered(zone({8: 6000, 38: -1200})).envelopes(60, 100)
    assert not layered(zone({8: 6000, 38: -4800})).envelopes(60, 100)  # the filter is too slow


def test_touches_share_what_is_held_only_with_the_same_layers():
    """By their releases, the second sample is in the layer of the first one, or has its own."""
    quick, slow = {38: 0}, {38: 1200}
    inner = zone({38: 0}), zone({35: 0, 38: 0})

    def edges(*outer: dict[int, int]) -> tuple[int, ...] | None:
        loud, soft = outer[:2], outer[2:]
        zones = [zone({**each, 44: LOUD}) for each in loud]
        zones += [zone({**each, 44: SOFT}) for each in soft]
        return Preset([*zip(zones, inner * 2, strict=True)]).held_edges(60)

    assert edges(quick, slow, slow, quick) == (1,)
    inner = inner[:1] * 2
    assert edges(quick, slow, slow, quick) == (1,)
    assert edges(quick, slow, slow, slow) == (1, 100)
    # Layers are told apart where a touch is held, even if it is let go too fast to fade.
    loud, soft = {38: -5000}, {38: 1200}
    zones = [
        (zone({44: touch, **release}), each)
        for touch, release in ((LOUD, loud), (SOFT, soft))
        for each in (zone({38: 0, 8: 6000}), zone({38: -100, 8: 6000}))
    ]
    zones[2:] = [(outer, zones[n][1]) for n, (outer, _) in enumerate(zones[2:])]
    preset = Preset(zones)
    assert preset.held_edges(60) == (1,)
    assert not preset.envelopes(60, 127)
    assert len(preset.envelopes(60, 50)) == 2
    rows = [preset.generators(60, 127, layer) for layer in (1, 2)]
    assert [len(each) for each in rows] == [1, 1]
    assert rows[0] != rows[1]


@pytest.mark.parametrize(("cents", "resonance_cb"), [(6785, 48), (7935, 0), (9000, 200)])
@pytest.mark.parametrize("pitch", [28, 52, 76])
def test_a_filter_delays_by_its_group_delay_at_the_pitch(cents, resonance_cb, pitch):
    """Scipy's group delay of a low-pass with two poles whose peak is as high, at 44.1 kHz."""
    cutoff_hz, pitch_hz = 8.176 * 2 ** (cents / 1200), 440 * 2 ** ((pitch - 69) / 12)
    q = 10 ** ((resonance_cb / 10 - 3.01) / 20)
    w = 2 * np.pi * cutoff_hz
    low_pass = bilinear([w * w], [1, w / q, w * w], RATE_HZ)
    _, delay_samples = group_delay(low_pass, [pitch_hz], fs=RATE_HZ)
    (envelope,) = layered(zone({8: cents, 9: resonance_cb, 38: 0})).envelopes(pitch, 100)
    assert envelope.lag_us == pytest.approx(1e6 * delay_samples[0] / RATE_HZ, rel=0.02, abs=13)


def test_an_open_filter_delays_nothing():
    assert layered(zone({9: 100, 38: -9000})).envelopes(60, 100)[0].lag_us == 0


def test_layers_that_sound_otherwise_are_kept_apart():
    inner = zone({})
    preset = Preset([(zone({44: LOUD, 8: -100}), inner), (zone({44: SOFT, 8: -900}), inner)])
    assert preset.held_edges(60) == (1, 100)


def test_a_release_falls_by_96_db_in_its_time():
    """SoundFont 2.04, 8.1.2, generator 38; the level of a held key stays (sustain 0)."""
    curve, start, _ = release(Envelope(-12_000, -12_000, 0, 0, 0, 0, 1000), 100, 0, 64_000)
    assert start == 6400 + 64
    expected_db = -96 * np.arange(len(curve)) / 1000  # a second of 1,000 blocks
    assert np.abs(20 * np.log10(curve[:-1]) - expected_db[:-1]).max() < 0.2
    assert curve[0] == 1
    assert curve[-1] < 10 ** (-70 / 20)


def test_a_key_that_fades_by_itself_falls_less_when_it_is_let_go():
    """Held, it falls by 96 dB in 4 s; let go, in 1 s: what is left to the curve is the rest."""
    envelope = Envelope(-12_000, -12_000, -12_000, 2400, 1000, 0)
    late = risen_blocks(envelope, 64_000) + 500
    curve, start, _ = release(envelope, late, 0, 64_000)
    assert start == 64 * late
    fall_db = 20 * np.log10(curve[400] / curve[200])
    assert fall_db == pytest.approx(-96 * 200 / 1000 * (1 - 1 / 4), abs=0.3)
