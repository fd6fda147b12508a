"""The reader against a naive scan of the same file, and its messages on broken files."""

import copy
import dataclasses
import json
import subprocess
import sys
from contextlib import suppress

import pytest
from chordmap_charts import AUDIO, CHARTS, FUNK, content_of, long_chart, map_of
from hypothesis import example, given, settings
from hypothesis import strategies as st

from generator.chordmap import model, records
from generator.chordmap.export import FORMATS, export_map
from generator.chordmap.reader import ChordMap
from generator.chordmap.schema import validate_map
from generator.errors import ChordMapError, InputError

CONTENT = {name: content_of(text, audio=(AUDIO,)) for name, text in CHARTS.items()}
MAPS = {name: ChordMap.from_dict(content) for name, content in CONTENT.items()}

names = st.sampled_from(sorted(CHARTS))


def moments(name):
    """Moments anywhere, and exactly on the edges, where mistakes sit."""
    content = CONTENT[name]
    edges = [c[key] for c in content["chords"] for key in ("start_s", "end_s", "sounds_at_s")]
    edges += [time for bar in content["bars"] for time in bar["beats_s"]]
    return st.one_of(st.floats(-5, content["bars"][-1]["end_s"] + 5), st.sampled_from(edges))


def scan(entries, time, end, start="start_s"):
    """Return what the last entry that has begun says: the naive way."""
    found = None
    for entry in entries:
        if entry[start] <= time < end:
            found = entry
    return found


def same(record, entry):
    if record is None or entry is None:
        return record is entry
    return (record.start_s, record.end_s) == (entry["start_s"], entry["end_s"])


@settings(max_examples=200, deadline=None)
@given(st.data(), names)
def test_look_ups_agree_with_a_scan(data, name):
    time = data.draw(moments(name))
    song, content = MAPS[name], CONTENT[name]
    chords, end = content["chords"], content["bars"][-1]["end_s"]
    assert same(song.chord_at(time), scan(chords, time, end))
    assert same(song.chord_at(time, sounding=True), scan(chords, time, end, "sounds_at_s"))
    assert same(song.bar_at(time), scan(content["bars"], time, end))
    assert same(song.section_at(time), scan(content["sections"], time, end))
    later = [chord for chord in chords if chord["start_s"] > time]
    assert same(song.next_chord(time), later[0] if later else None)
    heard = [chord for chord in chords if chord["sounds_at_s"] > time]
    assert same(song.next_chord(time, sounding=True), heard[0] if heard else None)


@settings(max_examples=200, deadline=None)
@given(st.data(), names)
def test_chords_between_agrees_with_a_scan(data, name):
    low, high = sorted((data.draw(moments(name)), data.draw(moments(name))))
    expected = [
        (chord["start_s"], chord["symbol"])
        for chord in CONTENT[name]["chords"]
        if low < high and chord["start_s"] < high and chord["end_s"] > low
    ]
    found = MAPS[name].chords_between(low, high)
    assert [(chord.start_s, chord.symbol) for chord in found] == expected


@settings(max_examples=50, deadline=None)
@given(names, st.floats(-20, 1000), st.floats(0.1, 4))
def test_offset_and_scale_move_every_time(name, offset, factor):
    song = MAPS[name]
    moved, slower = song.at_offset(offset), song.scaled(factor)
    for before, after, stretched in zip(song.chords, moved.chords, slower.chords, strict=True):
        for attribute in ("start_s", "end_s", "sounds_at_s"):
            time = getattr(before, attribute)
            assert getattr(after, attribute) == time + offset
            assert getattr(stretched, attribute) == time * factor
        middle = (before.start_s + before.end_s) / 2
        assert moved.chord_at(middle + offset).symbol == before.symbol
        assert slower.chord_at(middle * factor).symbol == before.symbol
    beats = [beat.time_s for beat in song.beats()]
    assert [beat.time_s for beat in moved.beats()] == [time + offset for time in beats]
    assert moved.count_in.end_s == song.count_in.end_s + offset
    assert moved.tempos[0].time_s == offset
    assert slower.tempos[0].quarter_bpm == pytest.approx(song.tempos[0].quarter_bpm / factor)


def test_offset_keeps_track_of_the_audio_and_scaling_drops_it():
    song = MAPS["funk"]
    assert song.at_offset(12.0).audio[0].start_offset_s == -12.0
    assert song.at_offset(12.0).audio[0].duration_s == AUDIO["duration_s"]
    assert song.scaled(2.0).audio == ()
    assert song.at_offset(0.0) == song


def test_beats_count_each_bar_from_one():
    beats = list(MAPS["seven"].beats())
    assert [(beat.bar, beat.beat) for beat in beats[:4]] == [(1, 1), (1, 2), (1, 3), (2, 1)]
    times = [beat.time_s for beat in beats]
    assert times == sorted(set(times))


def test_a_push_counts_from_where_it_sounds_only_when_asked():
    song = MAPS["funk"]
    pushed = next(chord for chord in song.chords if chord.sounds_at_s < chord.start_s)
    assert song.chord_at(pushed.sounds_at_s) != pushed
    assert song.chord_at(pushed.sounds_at_s, sounding=True) == pushed


def test_outside_the_music_there_is_nothing():
    song = MAPS["funk"]
    for time in (-1.0, 0.0, song.end_s, song.end_s + 1, float("inf"), float("-inf")):
        assert song.chord_at(time) is None
        assert song.bar_at(time) is None
    assert song.next_chord(0.0) == song.chords[0]
    assert song.next_chord(song.end_s) is None


def test_times_that_are_no_numbers_are_refused():
    song, nan = MAPS["funk"], float("nan")
    for ask in (song.chord_at, song.next_chord, song.bar_at, song.section_at):
        with pytest.raises(ValueError, match="got NaN"):
            ask(nan)
    with pytest.raises(ValueError, match="finite"):
        song.at_offset(nan)
    with pytest.raises(ValueError, match="above zero"):
        song.scaled(0)
    with pytest.raises(ValueError, match="before its start"):
        song.chords_between(2.0, 1.0)


def test_look_ups_touch_few_entries_of_a_long_map():
    """10,000 bars: a look-up compares at most 1 + log2(n) times, counted, not timed."""
    song = map_of(long_chart(10_000))
    assert len(song.bars) == 10_000

    class Counted(float):
        compared = 0

        def __lt__(self, other):
            Counted.compared += 1
            return float.__lt__(self, other)

    song.chord_at(Counted(song.end_s / 3))
    assert 1 <= Counted.compared <= 20


def test_the_reader_imports_the_standard_library_only():
    code = (
        "import sys\n"
        "before = set(sys.modules)\n"
        "import generator.chordmap.reader\n"
        "new = {name.partition('.')[0] for name in set(sys.modules) - before}\n"
        "print(sorted(new - set(sys.stdlib_module_names) - {'generator'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_load_reads_what_was_written(tmp_path):
    path = tmp_path / "x.chordmap.json"
    path.write_text(json.dumps(CONTENT["funk"]), encoding="utf-8")
    assert ChordMap.load(path) == MAPS["funk"] == validate_map(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"x\.json:1:1: not JSON"),
        (b'{"format": ', r"x\.json:1:12: not JSON"),
        (b"\xff\xfe", "not UTF-8 text at byte 0"),
        (b"[]", "must hold one JSON object"),
        (b"{}", r'format: expected "chord-map", got None'),
        (b'{"format": "chord-map", "version": "2.0"}', "version: this reader knows 1.x, got '2.0'"),
        (b'{"format": "chord-map", "version": "1.0"}', "title: this field is missing"),
        (b"[" * 100_000, "not a chord map"),
    ],
)
@pytest.mark.parametrize("read", [ChordMap.load, validate_map])
def test_a_file_that_is_no_chord_map_is_refused_with_the_reason(tmp_path, content, message, read):
    path = tmp_path / "x.json"
    path.write_bytes(content)
    with pytest.raises(ChordMapError, match=message):
        read(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ChordMapError, match="cannot be read: No such file"):
        ChordMap.load(tmp_path / "none.json")


FAULTS = [
    (("chords", 3, "start_s"), "soon", r"chords\[3\].start_s: expected a number, got 'soon'"),
    (("chords", 3, "start_s"), float("nan"), r"chords\[3\].start_s: expected a number, got nan"),
    (("chords", 3, "start_s"), 10**400, r"chords\[3\].start_s: expected a number, got 1000"),
    (("chords", 3, "start_s"), 1.0, r"chords\[3\].start_s: must be .*where the one before ends"),
    (("chords", 3, "end_tick"), 0, r"chords\[3\].end_tick: must lie after start_tick"),
    (("chords", 0, "kind"), "riff", r"chords\[0\].kind: must be one of chord, no-chord, rest"),
    (("chords", 0, "root"), None, r"chords\[0\].root: a chord needs one"),
    (("chords", 0, "bar"), 99, r"chords\[0\].bar: there is no bar 99"),
    (("chords", 0, "notes"), "EGB", r"chords\[0\].notes: expected a list"),
    (("chords", 0, "notes", 1), 4, r"chords\[0\].notes\[1\]: expected text, got 4"),
    (("chords", 0, "scales", 0, "name"), None, r"chords\[0\].scales\[0\].name: expected text"),
    (("chords", 1, "sounds_at_s"), 60.0, r"chords\[1\].sounds_at_s: must not lie after start_s"),
    (("chords", 4, "sounds_at_s"), 0.5, r"chords\[4\].sounds_at_s: lies before the onset"),
    (("bars", 2, "number"), True, r"bars\[2\].number: expected a whole number, got True"),
    (("bars", 2, "number"), 1, r"bars\[2\].number: must be above 2, got 1"),
    (("title",), "\ud800", "title: half a character"),
    (("bars", -1, "end_tick"), 2**70, r"chords\[23\].end_tick: must be 1180591620717411303424"),
    (("meters", 0, "beat_quarters", 0), -1.0, r"meters\[0\].beat_quarters\[0\]: got -1.0"),
    (("keys", 0, "fifths"), 8, r"keys\[0\].fifths: must lie in -7 to 7, got 8"),
    (("tempos", 0, "quarter_bpm"), 0, r"tempos\[0\].quarter_bpm: must be above 0, got 0"),
    (("bars", 2, "section"), 9, r"bars\[2\].section: there is no section 9"),
    (("bars", 2, "beats_s"), [], r"bars\[2\].beats_s: must not be empty"),
    (("bars", 2, "beats_s", 2), 0.0, r"bars\[2\].beats_s\[2\]: must lie after"),
    (("sections", 0, "end_s"), 0.0, r"sections\[0\].end_s: must lie after start_s"),
    (("tempos",), [], "tempos: must not be empty"),
    (("tempos", 0, "tick"), 5, r"tempos\[0\].tick: must be 0"),
    (("count_in",), 4, "count_in: expected an object, got 4"),
    (("made_by", "seed"), "one", "made_by.seed: expected a whole number"),
    (("audio", 0, "duration_s"), None, r"audio\[0\].duration_s: expected a number, got null"),
]


def changed(path, value):
    content = copy.deepcopy(CONTENT["funk"])
    place = content
    for part in path[:-1]:
        place = place[part]
    place[path[-1]] = value
    return content


@pytest.mark.parametrize(("path", "value", "message"), FAULTS)
def test_a_fault_is_named_by_its_field(tmp_path, path, value, message):
    content = changed(path, value)
    with pytest.raises(ChordMapError, match=message):
        ChordMap.from_dict(content)
    file = tmp_path / "x.chordmap.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ChordMapError, match=message):
        validate_map(file)


STRICT_FAULTS = [
    (("chords", 0, "pitch_classes", 0), 12, r"chords\[0\].pitch_classes\[0\]: .*less than.*got 12"),
    (("chords", 0, "articulation"), "bang", r"chords\[0\].articulation: .*got \"bang\""),
    (("chords", 0, "root"), "H", r"chords\[0\].root: .*got \"H\""),
    (("chords", 0, "colour"), "red", r"chords\[0\].colour: extra inputs .*got \"red\""),
    (("sections", 0, "pass"), 0, r"sections\[0\].pass: .*greater than or equal to 1, got 0"),
    (("sections", 0, "dynamics"), "loud", r"sections\[0\].dynamics: "),
    (("audio", 0, "sha256"), "x", r"audio\[0\].sha256: "),
    (("bars", 0, "meter"), "four", r"bars\[0\].meter: "),
    (("tuning_hz",), -1, "tuning_hz: input should be greater than 0, got -1"),
]


@pytest.mark.parametrize(("path", "value", "message"), STRICT_FAULTS)
def test_the_check_is_stricter_than_the_reader(tmp_path, path, value, message):
    content = changed(path, value)
    ChordMap.from_dict(content)
    file = tmp_path / "x.chordmap.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ChordMapError, match=message):
        validate_map(file)


def test_the_check_reports_every_problem_up_to_twenty(tmp_path):
    content = copy.deepcopy(CONTENT["funk"])
    for chord in content["chords"]:
        chord["articulation"] = "bang"
    content["tuning_hz"] = 0
    file = tmp_path / "x.chordmap.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ChordMapError) as caught:
        validate_map(file)
    lines = str(caught.value).splitlines()
    assert len(lines) == 21
    assert lines[-1].endswith(f"and {len(content['chords']) + 1 - 20} more")


def test_a_newer_minor_version_may_hold_more_fields(tmp_path):
    """The rule for versions: a reader of 1.0 reads any 1.x."""
    content = changed(("chords", 0, "colour"), "red") | {"version": "1.7"}
    file = tmp_path / "x.chordmap.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    assert validate_map(file).chords == MAPS["funk"].chords
    content["chords"][0]["root"] = "H"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ChordMapError, match=r"chords\[0\].root"):
        validate_map(file)


RECORDS = [
    (model.ChordMapFile, ChordMap),
    (model.MadeBy, records.MadeByEntry),
    (model.AudioFile, records.AudioEntry),
    (model.CountIn, records.CountInEntry),
    (model.TempoChange, records.TempoEntry),
    (model.TempoWord, records.TempoWordEntry),
    (model.MeterChange, records.MeterEntry),
    (model.KeyChange, records.KeyEntry),
    (model.MapSection, records.SectionEntry),
    (model.MapBar, records.BarEntry),
    (model.MapChord, records.ChordEntry),
    (model.ScaleChoice, records.ScaleEntry),
    (model.WrittenChord, records.WrittenEntry),
]


@pytest.mark.parametrize(("written", "read"), RECORDS)
def test_the_reader_knows_every_field_of_the_model(written, read):
    attributes = {field.name for field in dataclasses.fields(read) if field.init}
    assert attributes == set(written.model_fields)


def test_optional_fields_may_be_absent():
    content = copy.deepcopy(CONTENT["funk"])
    del content["tempo_words"]
    assert ChordMap.from_dict(content).tempo_words == ()


def test_a_written_view_is_read():
    song = map_of(FUNK, written_for="eb")
    assert song.chords[0].written.symbol == "C#m9"
    assert song.chords[0].written.for_ == "eb"


def places(value, path=()):
    """Yield the path to every value of a JSON object."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from places(inner, (*path, index))
    if path:
        yield path


PLACES = list(places(CONTENT["funk"]))
ODD_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.text(max_size=5),
    st.sampled_from(["Cb major", "3/3", "99/4", "H7", "C7(", [], {}, [{}], -1, 0, 1e-9]),
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(PLACES), ODD_VALUES)
@example(("sections", 4, "first_bar"), 0)
def test_a_changed_map_is_refused_or_exported(path, value):
    """Whatever a foreign map holds, the answer is a file or a clear error, never a crash."""
    with suppress(InputError):
        song = ChordMap.from_dict(changed(path, value))
        for name in FORMATS:
            export_map(song, name, shift_s=1.0)
