"""The MIDI of markers read back by mido and by pretty_midi, which computes its own seconds."""

import io

import mido
import pretty_midi
import pytest
from chordmap_charts import CHARTS, FUNK, WALTZ, every_quality, map_of

from generator.chordmap.export import export_map
from generator.harmony.chord import parse_chord

RIT = 'Tempo: q=120\n[A]\n| C | F "rit." | G | "a tempo" C | "q=90" C |\n'
ALL = {**CHARTS, "rit": RIT, "every quality": every_quality()}


def content_of(song, **options):
    return export_map(song, "midi", **options)[".markers.mid"]


def events_of(song, kind, **options):
    """Return (seconds by mido, message) of each event of a kind."""
    file = mido.MidiFile(file=io.BytesIO(content_of(song, **options)))
    now, found = 0.0, []
    for message in file:  # mido converts delta times by the tempos that it meets
        now += message.time
        if message.type == kind:
            found.append((now, message))
    return found


@pytest.mark.parametrize("text", ALL.values(), ids=ALL)
def test_chord_text_stands_where_the_map_says(text):
    song = map_of(text)
    found = events_of(song, "text")
    assert len(found) == len(song.chords)
    for (time, message), chord in zip(found, song.chords, strict=True):
        assert time == pytest.approx(chord.start_s, abs=1e-5)
        if chord.kind == "chord":
            assert parse_chord(message.text).pitch_classes == chord.pitch_classes
        else:
            assert message.text == {"no-chord": "N.C.", "rest": "rest"}[chord.kind]


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_markers_are_the_sections(text):
    song = map_of(text)
    found = events_of(song, "marker")
    named = [section for section in song.sections if section.label]
    assert [message.text for _, message in found] == ["Count-in", *(s.label for s in named)]
    for (time, _), section in zip(found[1:], named, strict=True):
        assert time == pytest.approx(section.start_s, abs=1e-5)


def test_pretty_midi_reads_tempo_meter_and_key(tmp_path):
    song = map_of(CHARTS["seven"])
    path = tmp_path / "x.mid"
    path.write_bytes(content_of(song))
    midi = pretty_midi.PrettyMIDI(str(path))
    meters = [(m.numerator, m.denominator) for m in midi.time_signature_changes]
    assert meters == [(7, 8), (4, 4), (6, 8), (7, 8)]
    times = [m.time for m in midi.time_signature_changes[1:]]
    assert times == pytest.approx([m.time_s for m in song.meters[1:]], abs=1e-5)
    assert midi.get_tempo_changes()[1][0] == pytest.approx(105, abs=1e-3)
    names = [pretty_midi.key_number_to_key_name(k.key_number) for k in midi.key_signature_changes]
    assert names == ["A minor", "G minor"]  # MIDI has no modes: dorian is minor, by signature


def test_the_meter_starts_anew_after_a_pickup():
    song = map_of(WALTZ)
    times = [time for time, _ in events_of(song, "time_signature")]
    assert times == pytest.approx([0, song.bars[1].start_s], abs=1e-5)


@pytest.mark.parametrize("shift", [12.345, 0.001, -1.0, -5.5, -20.0])
@pytest.mark.parametrize("text", [FUNK, RIT], ids=["funk", "rit"])
def test_a_shift_moves_events_to_the_nearest_tick(text, shift):
    song = map_of(text)
    if -shift >= song.end_s:
        shift = -song.end_s / 2
    tick_s = 60 / min(tempo.quarter_bpm for tempo in song.tempos) / 960
    found = events_of(song, "text", shift_s=shift)
    wanted = [chord for chord in song.chords if chord.end_s + shift > tick_s]
    assert len(found) == len(wanted)
    for (time, _), chord in zip(found, wanted, strict=True):
        assert time == pytest.approx(max(0.0, chord.start_s + shift), abs=tick_s)


def test_text_is_ascii():
    song = map_of(FUNK.replace("Brass Button", "Knöpfe 🎺\t<&>"))
    found = events_of(song, "track_name")
    assert found[0][1].name == "Knopfe ? <&>"
