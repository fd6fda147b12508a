"""The MIDI file, read back by mido and pretty_midi."""

import io

import mido
import pretty_midi
import pytest

from generator.band.arrangement import Arrangement, Control, Note, Part
from generator.chart.parser import parse_chart
from generator.clock import TICKS_PER_QUARTER
from generator.midi import midi_bytes
from generator.timeline.build import build_timeline

CHART = """Title: Café “Tide”
Key: F# minor
Time: 3/4
Tempo: q=90
[A] mf
| F#m | D/F# | N.C. |
[B]
| 4/4 Bm7b5 / "Key: A major" E7 / | A "rit." |
"""

PARTS = (
    Part("drums", 9, 0, (Note(0, 200, 42, 90), Note(480, 700, 38, 100))),
    Part(
        "bass", 1, 33, (Note(0, 960, 30, 80), Note(960, 1900, 30, 80)), (), level_db=-6.0, pan=-0.5
    ),
    Part("pad", 2, 89, (Note(0, 2880, 60, 70),), (Control(0, 11, 90), Control(960, 11, 110))),
)


@pytest.fixture(scope="module")
def timeline():
    return build_timeline(parse_chart(CHART, "test"))


@pytest.fixture(scope="module")
def file(timeline):
    data = midi_bytes(Arrangement("none", 1, PARTS), timeline)
    assert data == midi_bytes(Arrangement("none", 1, PARTS), timeline)
    return mido.MidiFile(file=io.BytesIO(data))


def timed(track):
    now = 0
    for message in track:
        now += message.time
        yield now, message


def test_one_track_a_part_under_a_conductor(file):
    assert file.type == 1
    assert file.ticks_per_beat == TICKS_PER_QUARTER == 960
    assert [track.name for track in file.tracks] == ["Cafe ?Tide?", "drums", "bass", "pad"]


def test_the_conductor_says_meter_key_tempo_sections_and_chords(file, timeline):
    events = list(timed(file.tracks[0]))
    start = timeline.first_tick
    meters = [(t, m.numerator, m.denominator) for t, m in events if m.type == "time_signature"]
    assert meters == [(0, 3, 4), (start + 9 * 960, 4, 4)]
    keys = [m.key for _, m in events if m.type == "key_signature"]
    assert keys[0] == "F#m"
    assert keys[-1] == "A"
    markers = [(t, m.text) for t, m in events if m.type == "marker"]
    assert markers == [(0, "Count-in"), (start, "A"), (start + 9 * 960, "B")]
    texts = [(t - start, m.text) for t, m in events if m.type == "text"]
    assert texts[:3] == [(0, "F#m"), (3 * 960, "D/F#"), (6 * 960, "N.C.")]
    tempos = [(t, m.tempo) for t, m in events if m.type == "set_tempo"]
    assert tempos == [(p.tick, p.us_per_quarter) for p in timeline.clock.tempos]
    assert len(tempos) > 1, "the rit. is in the file"


def test_every_track_ends_with_the_music(file, timeline):
    for track in file.tracks:
        assert sum(message.time for message in track) == timeline.end_tick
        assert track[-1].type == "end_of_track"


def test_a_repeated_key_is_released_before_it_is_struck_again(file):
    kinds = [(t, m.type) for t, m in timed(file.tracks[2]) if m.type.startswith("note")]
    assert kinds == [(0, "note_on"), (960, "note_off"), (960, "note_on"), (1900, "note_off")]


def test_controllers_stand_before_the_notes_they_shape(file):
    kinds = [m.type for t, m in timed(file.tracks[3]) if t == 0 and not m.is_meta]
    assert kinds[-1] == "note_on"


def test_pretty_midi_reads_the_same_notes_and_length(timeline):
    """Outside check: pretty_midi 0.2 reads parts, programs and seconds from the bytes."""
    data = midi_bytes(Arrangement("none", 1, PARTS), timeline)
    read = pretty_midi.PrettyMIDI(io.BytesIO(data))
    assert [(i.name, i.program, i.is_drum) for i in read.instruments] == [
        ("drums", 0, True),
        ("bass", 33, False),
        ("pad", 89, False),
    ]
    for instrument, part in zip(read.instruments, PARTS, strict=True):
        for heard, note in zip(instrument.notes, part.notes, strict=True):
            assert heard.pitch == note.pitch
            assert heard.start == pytest.approx(timeline.clock.seconds(note.start_tick), abs=1e-9)


def test_all_bytes_of_text_are_ascii(file):
    for track in file.tracks:
        for message in track:
            if hasattr(message, "text"):
                assert message.text.isascii()


def test_the_bytes_are_those_that_mido_writes(timeline):
    """Outside check: mido 1.3 reads the file and writes the same bytes anew."""
    data = midi_bytes(Arrangement("none", 1, PARTS), timeline)
    written = io.BytesIO()
    mido.MidiFile(file=io.BytesIO(data)).save(file=written)
    assert data == written.getvalue()


@pytest.mark.parametrize("pitch", [128, 300])
def test_a_note_that_midi_does_not_have_is_refused(timeline, pitch):
    part = Part("bass", 1, 33, (Note(0, 960, pitch, 80),))
    with pytest.raises(ValueError, match="above 127"):
        midi_bytes(Arrangement("none", 1, (part,)), timeline)
