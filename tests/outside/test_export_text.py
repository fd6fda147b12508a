"""WebVTT read by webvtt-py, CSV by the csv module, chapters by the pattern that sites look for."""

import csv
import io
import json
import re
from dataclasses import replace
from itertools import pairwise

import pytest
import webvtt
from chordmap_charts import CHARTS, FUNK, WALTZ, long_chart, map_of
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.chordmap.chapters import chapters
from generator.chordmap.export import FORMATS, export_map
from generator.errors import OptionError

HOSTILE = "<b>&amp;\"'--></b>\nNOTE 🎸"


def captions_of(song, **options):
    files = export_map(song, "vtt", **options)
    return [
        webvtt.from_buffer(io.StringIO(files[ending].decode()))
        for ending in (".chords.vtt", ".sections.vtt")
    ]


def seconds(timestamp):
    hours, minutes, rest = timestamp.split(":")
    return 3600 * int(hours) + 60 * int(minutes) + float(rest)


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_captions_name_chord_and_next(text):
    song = map_of(text)
    chords, _ = captions_of(song)
    names = ["rest" if chord.kind == "rest" else chord.symbol for chord in song.chords]
    assert len(chords) == len(names)
    for i, (cue, chord) in enumerate(zip(chords, song.chords, strict=True)):
        # webvtt-py turns entities back into characters in `.text`
        expected = names[i] + (f"\nnext: {names[i + 1]}" if i + 1 < len(names) else "")
        assert cue.text == expected
        assert seconds(cue.start) == pytest.approx(chord.start_s, abs=0.00051)
        assert seconds(cue.end) == pytest.approx(chord.end_s, abs=0.00051)


def test_sections_are_a_second_track():
    _, sections = captions_of(map_of(WALTZ))
    assert [cue.text for cue in sections] == ["Pickup", "A", "B"]


def test_markup_in_names_is_escaped():
    """W3C WebVTT, 4.2.2: `&` and `<` are written as entities; `-->` may not stand in a cue."""
    song = map_of(FUNK)
    song = replace(song, sections=tuple(replace(s, label=HOSTILE) for s in song.sections))
    text = export_map(song, "vtt")[".sections.vtt"].decode()
    cues = text.split("\n\n")[1:]
    for cue in cues:
        _, payload = cue.strip().split("\n", 1)
        assert payload == "&lt;b&gt;&amp;amp;\"'--&gt;&lt;/b&gt; NOTE 🎸"


def test_shifted_captions_fit_a_video():
    song = map_of(FUNK)
    plain, later, earlier = (captions_of(song, shift_s=s)[0] for s in (0, 3725.25, -10))
    assert seconds(later[0].start) == pytest.approx(song.start_s + 3725.25, abs=0.00051)
    assert later[0].start.startswith("01:02:0")
    assert len(later) == len(plain)
    assert earlier[0].start == "00:00:00.000"
    assert earlier[0].text.startswith(song.chord_at(10.0).symbol)


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_rows_of_the_csv(text):
    song = map_of(text)
    content = export_map(song, "csv")[".csv"].decode("utf-8")
    assert content.endswith("\r\n")
    assert "\n" not in content.replace("\r\n", "")
    rows = list(csv.DictReader(io.StringIO(content, newline=""), strict=True))
    assert len(rows) == len(song.chords)
    for row, chord in zip(rows, song.chords, strict=True):
        assert None not in row
        assert None not in row.values()
        assert float(row["start_s"]) == chord.start_s
        assert float(row["sounds_at_s"]) == chord.sounds_at_s
        assert row["symbol"] == chord.symbol
        assert tuple(row["notes"].split()) == chord.notes
        assert tuple(map(int, row["pitch_classes"].split())) == chord.pitch_classes
        assert row["harte"] == chord.harte


def test_hostile_sections_stay_in_their_cell():
    song = map_of(FUNK)
    label = 'a "quoted", comma\r\nand line 🎸'
    song = replace(song, sections=tuple(replace(s, label=label) for s in song.sections))
    text = export_map(song, "csv")[".csv"].decode()
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert {row[2] for row in rows[1:]} == {'a "quoted", comma and line 🎸'}
    assert len(rows) == len(song.chords) + 1


LINE = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d\d) (\S.*)")


def chapter_times(text):
    times = []
    for line in text.splitlines():
        hours, minutes, secs, _ = LINE.fullmatch(line).groups()
        times.append(3600 * int(hours or 0) + 60 * int(minutes) + int(secs))
    return times


@pytest.mark.parametrize("shift", [0.0, 12.3, 4000.0, -3.0])
@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_chapter_lists_start_at_zero_and_rise(text, shift):
    """`M:SS Name`, the first at 0:00: common practice of video sites, no source."""
    song = map_of(text)
    lines = export_map(song, "chapters", shift_s=shift)[".chapters.txt"].decode()
    times = chapter_times(lines)
    assert times[0] == 0
    assert times == sorted(set(times))
    for section in song.sections:
        assert int(max(0, section.start_s + shift)) in times


def test_chapter_names():
    lines = export_map(map_of(FUNK), "chapters")[".chapters.txt"].decode().splitlines()
    assert [line.partition(" ")[2] for line in lines] == [
        "Count-in",
        "A",
        "A 2",
        "B",
        "B 2",
        "C",
    ]
    late = export_map(map_of(FUNK), "chapters", shift_s=3600)[".chapters.txt"].decode()
    assert late.splitlines()[1].startswith("1:00:02 A")


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_chapters_tile_the_track(text):
    song = map_of(text)
    found = chapters(song)
    assert found[0][0] == 0.0
    assert found[-1][1] == song.end_s
    assert all(a[1] == b[0] for a, b in pairwise(found))
    assert all(title.strip() for _, _, title in found)


def test_audio_tags_hold_the_same_chapters_as_the_list():
    """The count-in first, a section that comes again numbered: one piece of code names both."""
    from generator.chart.parser import parse_chart
    from generator.pipeline.prepare import prepare
    from generator.pipeline.score import score_of

    track = prepare(parse_chart("Tempo: q=60\n[A]\n| C | F |\n[B]\n| G |\n[A]\n| C |"))
    found = list(score_of(track).chapters)
    assert found == [(0, 4, "Count-in"), (4, 12, "A"), (12, 16, "B"), (16, 20, "A 2")]


SONGS = {name: map_of(text) for name, text in CHARTS.items()}


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(sorted(SONGS)), st.floats(-40, 4000))
def test_any_shift_leaves_times_in_order(name, shift):
    song = SONGS[name]
    shift = max(shift, 0.01 - song.end_s)
    rows = [
        line.split("\t")
        for line in export_map(song, "lab", shift_s=shift)[".lab"].decode().split("\n")
    ][:-1]
    times = [(float(start), float(end)) for start, end, _ in rows]
    assert times[0][0] == 0
    assert all(start < end for start, end in times)
    assert all(a[1] == b[0] for a, b in pairwise(times))
    assert times[-1][1] == pytest.approx(song.end_s + shift, abs=1e-6)
    for cues in captions_of(song, shift_s=shift):
        spans = [(seconds(cue.start), seconds(cue.end)) for cue in cues]
        assert all(0 <= start < end for start, end in spans)
        assert all(a[1] == b[0] for a, b in pairwise(spans))
    jam = json.loads(export_map(song, "jams", shift_s=shift)[".jams"])
    for annotation in jam["annotations"]:
        assert all(row["time"] >= 0 and row["duration"] >= 0 for row in annotation["data"])
    lines = export_map(song, "csv", shift_s=shift)[".csv"].decode()
    for row in csv.DictReader(io.StringIO(lines, newline="")):
        assert 0 <= float(row["start_s"]) < float(row["end_s"])
        assert 0 <= float(row["sounds_at_s"]) <= float(row["start_s"])


@pytest.fixture(scope="module")
def ten_thousand_bars():
    return map_of(long_chart(10_000))


# What stands in a file once an entry, and how often: 15,000 chords, 20,000 beats, 500 sections.
ENTRIES = {
    "lab": (b"\n", 15_001),
    "jams": (b'"position"', 20_000),
    "musicxml": (b"<harmony", 15_000),
    "vtt": (b" --> ", 15_000 + 500),
    "csv": (b"\r\n", 15_001),
    "chapters": (b"\n", 500),
    "midi": (b"\xff\x01", 15_000),
}


@pytest.mark.parametrize("name", sorted(FORMATS))
def test_every_format_takes_ten_thousand_bars(name, ten_thousand_bars):
    sign, times = ENTRIES[name]
    files = export_map(ten_thousand_bars, name)
    assert sum(content.count(sign) for content in files.values()) == times


@pytest.mark.parametrize("name", sorted(FORMATS))
def test_every_format_is_the_same_bytes_each_time(name):
    song = map_of(FUNK)
    assert export_map(song, name, shift_s=1.5) == export_map(song, name, shift_s=1.5)


def test_an_unknown_format_and_a_shift_beyond_the_end_are_refused():
    song = map_of(FUNK)
    with pytest.raises(OptionError, match="no export format 'pdf': use lab, jams"):
        export_map(song, "pdf")
    with pytest.raises(OptionError, match="a shift is a number"):
        export_map(song, "lab", shift_s=float("nan"))
    with pytest.raises(OptionError, match="moves the whole track"):
        export_map(song, "lab", shift_s=-song.end_s)
