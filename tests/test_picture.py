"""Pictures: as many marks as there is music, each where its time and pitch say."""

import json
import shutil
import subprocess
import sys
import wave
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest

from generator.band.arrange import arrange
from generator.band.arrangement import Note, Part
from generator.band.style import load_style
from generator.chart.parser import parse_chart
from generator.chordmap.build import build_map, map_json
from generator.chordmap.reader import ChordMap
from generator.errors import ChordError, ChordMapError, OptionError
from generator.handout.drawing.marks import INK, PathMark
from generator.handout.neck import chord_tones, tones_on_neck
from generator.handout.picture import draw_picture, picture_of_file
from generator.handout.picture.beside import parts_of_midi
from generator.handout.picture.form import form_picture
from generator.handout.picture.frame import BLUE, QUIET, VERMILION, mixed, rows_of
from generator.handout.picture.fretboard import _fret_x, fretboard_picture
from generator.handout.picture.roll import roll_picture
from generator.handout.picture.wave import read_mono, wave_picture
from generator.midi import midi_bytes
from generator.timeline.build import build_timeline

FUNK = """\
Title: Brass Button
Key: E minor
Tempo: q=120
[A] mf
|: Em9 | % | A13 | <G13 / <F#7#9^ r :| x2
[B] ff
| Cmaj9 | B7#5/D# | Em9^ r r r | N.C. | Em9<> |
"""


def map_of(text: str, audio=()) -> ChordMap:
    timeline = build_timeline(parse_chart(text))
    made = build_map(timeline, style="sixteenth-funk", seed=1, version="1", audio=audio)
    return ChordMap.from_dict(json.loads(map_json(made)))


@pytest.fixture(scope="module")
def song() -> ChordMap:
    return map_of(FUNK)


@pytest.fixture(scope="module")
def track(tmp_path_factory) -> Path:
    """Make a map, its MIDI file, and a WAV file with half a second of noise at bar 2, beat 1."""
    folder = tmp_path_factory.mktemp("track")
    timeline = build_timeline(parse_chart(FUNK))
    arrangement = arrange(timeline, load_style("sixteenth-funk"), seed=1)
    (folder / "song.mid").write_bytes(midi_bytes(arrangement, timeline))
    entry = {
        "file": "song.wav", "part": "mix", "format": "wav", "sha256": "0" * 64,
        "duration_s": 30.0, "sample_rate": 8000, "start_offset_s": 0.0,
    }  # fmt: skip
    made = build_map(timeline, style="sixteenth-funk", seed=1, version="1", audio=[entry])
    (folder / "song.chordmap.json").write_text(map_json(made), encoding="utf-8")
    signal = np.zeros(30 * 8000)
    start = round(timeline.clock.seconds(timeline.bars[1].start_tick) * 8000)
    signal[start : start + 4000] = 0.5 * np.sign(np.sin(np.arange(4000)))
    with wave.open(str(folder / "song.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes((signal * 32767).astype("<i2").tobytes())
    return folder / "song.chordmap.json"


def named(drawing, start: str) -> dict[str, PathMark]:
    return {mark.name: mark for mark in drawing.marks if mark.name.startswith(start)}


def box_of(mark: PathMark) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of a mark, without the dummy vertex that closes it."""
    drawn = zip(mark.outline.vertices, mark.outline.codes, strict=True)
    points = [point for point, code in drawn if code != 79]
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def svg_ids(data: bytes) -> list[str]:
    root = ElementTree.fromstring(data)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    return [element.get("id") for element in root.iter() if element.get("id")]


# Rows


def test_rows_hold_every_bar_once_and_start_at_sections(song):
    rows = rows_of(song)
    assert [i for row in rows for i in range(row.first, row.after)] == list(range(len(song.bars)))
    starts = {song.bars[row.first].start_s for row in rows}
    assert {section.start_s for section in song.sections} <= starts


def test_long_sections_go_on_after_whole_phrases_and_no_bar_stands_alone():
    sizes = [row.after - row.first for row in rows_of(map_of("| C " * 20 + "|"))]
    assert sizes == [8, 8, 4]
    sizes = [row.after - row.first for row in rows_of(map_of("| C " * 9 + "|"))]
    assert sizes == [9]
    pickup = rows_of(map_of("Pickup: 1\n| N.C. |\n[A]\n" + "| C " * 12 + "|"))
    assert [row.after - row.first for row in pickup] == [9, 4]


def test_bars_can_be_chosen(song):
    rows = rows_of(song, bars=(2, 3))
    assert [song.bars[i].number for row in rows for i in range(row.first, row.after)] == [2, 3]
    with pytest.raises(OptionError, match="no bars 50 to 60: this track has 1 to 13"):
        rows_of(song, bars=(50, 60))


# Form


def test_form_has_a_box_for_each_chord_as_wide_as_its_time(song):
    boxes = named(form_picture(song), "chord-")
    assert len(boxes) == len(song.chords)
    scales = set()
    for i, chord in enumerate(song.chords, 1):
        left, _, right, _ = box_of(boxes[f"chord-{i}"])
        if chord.articulation != "hit":  # a hit is drawn as long as it sounds
            scales.add(round((right - left) / (chord.end_s - chord.start_s), 6))
    assert len(scales) == 1


def test_form_shows_sections_higher_the_louder(song):
    boxes = named(form_picture(song), "section-")
    assert len(boxes) == len(song.sections)
    heights = [box_of(box)[3] - box_of(box)[1] for box in boxes.values()]
    by_dynamics = {s.dynamics: round(h, 3) for s, h in zip(song.sections, heights, strict=True)}
    assert by_dynamics["ff"] == pytest.approx(by_dynamics["mf"] * 6 / 4, abs=0.01)


# Roll


def test_roll_draws_every_note_of_the_midi_file_once(track):
    song = ChordMap.load(track)
    parts = parts_of_midi(track.with_name("song.mid"))
    assert {part.name for part in parts} <= {"drums", "bass", "pad", "comp"}
    drawn = named(roll_picture(song, parts), "note-")
    first_tick = song.bars[0].start_tick
    music = [n for part in parts for n in part.notes if n.start_tick >= first_tick - 60]
    assert len(drawn) == len(music) > 200


def test_notes_stand_where_time_and_pitch_say(song):
    start = song.bars[0].start_tick
    beat = 960
    notes = tuple(Note(start + i * beat, start + i * beat + 480, 40 + i, 90) for i in range(3))
    part = Part("bass", 0, 33, notes)
    drawn = roll_picture(song, (part,))
    boxes = [box_of(mark) for mark in named(drawn, "note-bass-").values()]
    assert boxes[1][0] - boxes[0][0] == pytest.approx(boxes[2][0] - boxes[1][0])
    assert boxes[0][1] - boxes[1][1] == pytest.approx(boxes[1][1] - boxes[2][1])
    assert boxes[0][1] > boxes[1][1] > boxes[2][1]
    assert boxes[0][2] - boxes[0][0] == pytest.approx((boxes[1][0] - boxes[0][0]) / 2, abs=1)


def test_a_note_over_a_row_end_goes_on_in_the_next_row_and_counts_once(song):
    row = rows_of(song, most_bars=4)[0]
    note = Note(row.end_tick - 960, row.end_tick + 960, 48, 90)
    marks = roll_picture(song, (Part("pad", 1, 89, (note,)),)).marks
    silent = roll_picture(song, (Part("pad", 1, 89, (Note(0, 1, 48, 90),)),)).marks
    assert len([m for m in marks if m.name == "note-pad-1"]) == 1
    assert len(marks) > len(silent)


def test_louder_drum_strokes_are_larger(song):
    start = song.bars[0].start_tick
    notes = (Note(start, start + 60, 36, 60), Note(start + 960, start + 1020, 36, 120))
    drawn = named(roll_picture(song, (Part("drums", 9, 0, notes),)), "note-drums-")
    soft, loud = (box_of(mark) for mark in drawn.values())
    assert loud[2] - loud[0] > 1.3 * (soft[2] - soft[0])


# Fretboard


def test_form_sheet_has_a_neck_for_each_different_chord(song):
    drawn = named(fretboard_picture(song), "tone-")
    entries = {c.symbol: c for c in song.chords if c.kind == "chord"}
    for number, entry in enumerate(entries.values(), 1):
        content = {name: getattr(entry, name) for name in entry.__slots__}
        places = tones_on_neck(chord_tones(content))
        found = [name for name in drawn if name.startswith(f"tone-{number}-")]
        assert len(found) == len(places) > 10
    assert {name.split("-")[1] for name in drawn} == {str(i + 1) for i in range(len(entries))}


def test_one_chord_even_when_the_form_does_not_hold_it(song):
    drawn = fretboard_picture(song, chord="C", labels="notes")
    # Counted by hand, high E to low E: 0 3 8 12 15, 1 5 8 13, 0 5 9 12, 2 5 10 14, 3 7 10 15,
    # 0 3 8 12 15.
    assert len(named(drawn, "tone-1-")) == 5 + 4 + 4 + 4 + 4 + 5
    assert not named(drawn, "tone-2-")


def test_frets_stand_as_on_an_instrument():
    """The twelfth fret halves the string (equal temperament: 2 ** (12 / 12) = 2)."""
    first, twelfth = _fret_x(1, 1000), _fret_x(12, 1000)
    scale_length = 2 * twelfth
    assert first == pytest.approx(scale_length * (1 - 2 ** (-1 / 12)))
    assert _fret_x(0, 1000) == 0
    assert _fret_x(15, 1000) == pytest.approx(1000)


def test_bass_tuning_and_bad_names(song):
    assert named(fretboard_picture(song, chord="E", tuning="Bass"), "tone-1-")
    with pytest.raises(OptionError, match="no tuning 'Lute'"):
        fretboard_picture(song, tuning="Lute")
    with pytest.raises(OptionError, match="use degrees or notes"):
        fretboard_picture(song, labels="colours")
    with pytest.raises(ChordError, match="roots are"):
        fretboard_picture(song, chord="H7")
    with pytest.raises(OptionError, match="no chord to put on a neck"):
        fretboard_picture(map_of("| N.C. |"))


# Wave


def test_wave_is_thick_where_the_sound_is(track):
    song = ChordMap.load(track)
    drawn = wave_picture(song, track.with_name("song.wav"))
    boxes = named(drawn, "chord-")
    assert len(boxes) == len(song.chords)
    row = named(drawn, "wave-")["wave-1"]
    points = row.outline.vertices[:-1]
    middle = sum(y for _, y in points) / len(points)
    loud = [x for x, y in points if abs(y - middle) > 10]
    bar_2 = box_of(boxes["chord-1"])
    per_second = (bar_2[2] - bar_2[0]) / (song.chords[0].end_s - song.chords[0].start_s)
    expected = bar_2[0] + (song.bars[1].start_s - song.bars[0].start_s) * per_second
    assert min(loud) == pytest.approx(expected, abs=1.0)
    assert max(loud) == pytest.approx(expected + 0.5 * per_second, abs=1.0)


def test_other_formats_are_decoded(track, tmp_path):
    flac = tmp_path / "song.flac"
    program = shutil.which("ffmpeg")
    assert program, "ffmpeg is missing"
    source = track.with_name("song.wav")
    subprocess.run([program, "-v", "error", "-i", source, flac], check=True)
    (decoded, rate_hz), (read, _) = read_mono(flac), read_mono(source)
    assert len(decoded) / rate_hz == pytest.approx(30, abs=0.01)
    assert np.std(read) > 0.01
    assert np.std(decoded) == pytest.approx(np.std(read), rel=0.05)


# Files and errors


@pytest.mark.parametrize("kind", ["form", "roll", "fretboard", "wave"])
def test_svg_is_xml_with_unique_ids_and_the_marks_of_the_drawing(track, kind):
    data = picture_of_file(track, kind)
    ids = svg_ids(data)
    assert len(ids) == len(set(ids))
    start = {"form": "chord-", "roll": "note-", "fretboard": "tone-", "wave": "wave-"}[kind]
    assert sum(name.startswith(start) for name in ids) >= 3
    assert picture_of_file(track, kind) == data


@pytest.mark.parametrize("kind", ["form", "fretboard"])
def test_png_is_a_picture_with_ink(track, kind):
    import io

    from matplotlib.image import imread

    data = picture_of_file(track, kind, format="png")
    pixels = imread(io.BytesIO(data))
    assert pixels.shape[1] > 1500
    assert 0.01 < (pixels[..., :3].min(axis=2) < 0.5).mean() < 0.6


def test_titles_are_inert():
    song = map_of('Title: <script>alert("x")</script> & $x$\n| C |')
    root = ElementTree.fromstring(draw_picture(song, "form"))
    assert not any(element.tag.endswith("script") for element in root.iter())


def test_drawing_needs_no_plotting_state(track):
    code = (
        "import sys; from pathlib import Path\n"
        "from generator.handout.picture import picture_of_file\n"
        "assert 'matplotlib' not in sys.modules and 'numpy' not in sys.modules\n"
        f"sys.stdout.buffer.write(picture_of_file(Path({str(track)!r}), 'form'))\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    folder = Path(__file__).parent.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, check=True)
    assert done.stdout == picture_of_file(track, "form")


def test_what_is_missing_is_named(track, tmp_path):
    alone = tmp_path / "song.chordmap.json"
    alone.write_bytes(track.read_bytes())
    with pytest.raises(OptionError, match=r"song\.mid: no such MIDI file beside the map"):
        picture_of_file(alone, "roll")
    with pytest.raises(OptionError, match=r"no audio of this track .* \(listed: song\.wav\)"):
        picture_of_file(alone, "wave")
    with pytest.raises(ChordMapError, match="cannot be read"):
        picture_of_file(tmp_path / "none.chordmap.json", "form")
    with pytest.raises(OptionError, match="use form, roll, fretboard, wave"):
        picture_of_file(alone, "pie")
    with pytest.raises(OptionError, match="use svg or png"):
        picture_of_file(alone, "form", format="pdf")
    (tmp_path / "song.mid").write_bytes(b"MThd")
    with pytest.raises(OptionError, match="cannot be read as a MIDI file"):
        picture_of_file(alone, "roll")
    (tmp_path / "song.wav").write_bytes(b"no audio")
    with pytest.raises(OptionError, match="no audio in it"):
        picture_of_file(alone, "wave")


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, by the formula of WCAG 2.2 (relative luminance)."""

    def luminance(color: str) -> float:
        parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_from_its_ground():
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    for text, ground in (
        ("#ffffff", BLUE),
        ("#ffffff", mixed(VERMILION, 0.85, INK)),
        (QUIET, "#ffffff"),
        (INK, mixed(BLUE, 0.3)),
    ):
        assert contrast(text, ground) >= 4.5
