"""Charts from other formats: there and back, and what cannot be read."""

import io
import json
import zipfile
from contextlib import suppress
from fractions import Fraction

import mido
import pytest
from chordmap_charts import CHARTS, FUNK, SEVEN, WALTZ, every_quality, map_of
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.chart.meter import Meter
from generator.chart.parser import parse_chart
from generator.chordmap.export import export_map
from generator.chordmap.importer import import_chart
from generator.chordmap.importer.sheet import tempo
from generator.errors import ChordError, ImportFileError
from generator.harmony.chord import parse_chord
from generator.harmony.harte import parse_harte

ENDINGS = {"lab": ".lab", "jams": ".jams", "musicxml": ".musicxml", "midi": ".markers.mid"}


def imported(folder, song, name, **options):
    path = folder / f"song{ENDINGS[name]}"
    path.write_bytes(export_map(song, name)[ENDINGS[name]])
    return import_chart(path, **options)


def harmony(song, *, rests_as_nc=False, articulation=False):
    """Return what every format can say: each chord with its bar, beat and ticks."""
    zero = song.bars[0].start_tick
    rows = []
    for chord in song.chords:
        symbol = "N.C." if rests_as_nc and chord.kind == "rest" else chord.symbol
        row = (symbol, chord.bar, chord.beat, chord.start_tick - zero, chord.end_tick - zero)
        if rows and rests_as_nc and rows[-1][0] == symbol == "N.C.":
            row = (*rows.pop()[:4], row[4])  # silence after N.C. is more of it
        rows.append((*row, chord.articulation) if articulation else row)
    return rows


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_musicxml_there_and_back(tmp_path, text):
    song = map_of(text)
    result = imported(tmp_path, song, "musicxml")
    again = map_of(result.text)
    assert harmony(again, articulation=True) == harmony(song, articulation=True)
    assert (again.title, again.composer, again.key) == (song.title, song.composer, song.key)
    assert [bar.meter for bar in again.bars] == [bar.meter for bar in song.bars]
    assert [key.key for key in again.keys] == [key.key for key in song.keys]
    assert [(s.label, s.first_bar, s.dynamics) for s in again.sections] == [
        (s.label, s.first_bar, s.dynamics) for s in song.sections
    ]
    assert result.remarks == ()


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_midi_there_and_back(tmp_path, text):
    song = map_of(text)
    again = map_of(imported(tmp_path, song, "midi").text)
    assert harmony(again) == harmony(song)  # MIDI has no groups of a meter: found by the chords
    assert (again.title, len(again.bars)) == (song.title, len(song.bars))
    assert [s.label for s in again.sections] == [s.label for s in song.sections]
    assert again.tempos[0].quarter_bpm == song.tempos[0].quarter_bpm


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_jams_there_and_back(tmp_path, text):
    song = map_of(text)
    again = map_of(imported(tmp_path, song, "jams").text)
    assert harmony(again, rests_as_nc=True) == harmony(song, rests_as_nc=True)
    assert (again.title, again.composer, again.key) == (song.title, song.composer, song.key)
    assert [bar.meter for bar in again.bars] == [bar.meter for bar in song.bars]
    assert [s.label for s in again.sections] == [s.label for s in song.sections]
    assert again.tempos[0].quarter_bpm == song.tempos[0].quarter_bpm


def test_lab_there_and_back_with_its_tempo_and_meter(tmp_path):
    song = map_of(FUNK)
    again = map_of(imported(tmp_path, song, "lab", quarter_bpm=Fraction(98)).text)
    assert harmony(again, rests_as_nc=True) == harmony(song, rests_as_nc=True)
    waltz = map_of(WALTZ.replace("Pickup: 1\n| N.C. |\n", "").replace("(.)", ""))
    result = imported(tmp_path, waltz, "lab", quarter_bpm=Fraction(132), meter=Meter(3, 4))
    assert harmony(map_of(result.text)) == harmony(waltz)


def test_lab_without_a_tempo_guesses_and_says_so(tmp_path):
    song = map_of("Tempo: q=100\n[A]\n| Dm7 / G7 C6 | F | Bm7b5 / E7 / | Am7 | N.C. |\n")
    result = imported(tmp_path, song, "lab")
    assert harmony(map_of(result.text)) == harmony(song)
    assert result.remarks == (
        "line 1: N until 2.4 s taken as the count-in",
        "no beats in the file: q=100 guessed from the chords",
        "no meter in the file: 4/4 assumed",
        "no key in the file: C major assumed",
    )
    assert all(f"; import: {remark}" in result.text for remark in result.remarks)


@pytest.mark.parametrize("name", sorted(ENDINGS))
def test_every_quality_comes_back(tmp_path, name):
    """All pitch classes, chord by chord; symbols too, save where labels know no difference."""
    song = map_of(every_quality())
    result = imported(tmp_path, song, name, quarter_bpm=Fraction(120))
    again = map_of(result.text)
    assert len(again.chords) == len(song.chords)
    for before, after in zip(song.chords, again.chords, strict=True):
        assert set(after.pitch_classes) == set(before.pitch_classes), (before.symbol, after.symbol)
        assert (after.root, after.start_tick) == (before.root, before.start_tick)
        assert after.symbol == before.symbol


@pytest.mark.parametrize("name", ["jams", "midi", "musicxml"])
@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            ["C", "Dm7 G7", "Em7 / A7 /", "F#m7b5 / / B7b9", "Bb13 / Eb6/9 /", "N.C.", "/ / Ab /"]
        ),
        min_size=1,
        max_size=12,
    ),
    st.integers(40, 300),
)
def test_any_chart_comes_back(tmp_path_factory, name, bars, tempo_bpm):
    song = map_of(
        f"Title: T\nTempo: q={tempo_bpm}\n[A]\n| Gm7 | {' | '.join(bars)} |\n[B]\n| C |\n"
    )
    again = map_of(imported(tmp_path_factory.mktemp("x"), song, name).text)
    assert harmony(again) == harmony(song)
    assert again.tempos == song.tempos


HOSTILE = "A <b>&\"'</b> 🎸 [x] | -->"


@pytest.mark.parametrize("name", ["jams", "musicxml"])
def test_hostile_titles_come_back(tmp_path, name):
    song = map_of(FUNK.replace("Brass Button", HOSTILE))
    result = imported(tmp_path, song, name)
    assert parse_chart(result.text).title == HOSTILE


def test_a_title_that_a_chart_cannot_hold_is_changed_and_said(tmp_path):
    content = json.loads(export_map(map_of(FUNK), "jams")[".jams"])
    content["file_metadata"]["title"] = "one; two\nTempo: q=20"
    path = tmp_path / "x.jams"
    path.write_text(json.dumps(content))
    result = import_chart(path)
    chart = parse_chart(result.text)
    assert chart.title == "one, two Tempo: q=20"
    assert chart.tempo.count == 98
    assert any("written as 'one, two Tempo: q=20'" in remark for remark in result.remarks)


# -- .lab ---------------------------------------------------------------------------------------


def lab(folder, text, **options):
    path = folder / "x.lab"
    path.write_text(text)
    return import_chart(path, **options)


def test_lab_lines_that_cannot_be_read_are_listed_with_their_number(tmp_path):
    text = "0 2 C:maj\n2 4 H:maj\nnonsense\n4 6 X\n6 8 G:7(b14)\n8 nan F:maj\n8 10 A:min\n"
    result = lab(tmp_path, text, quarter_bpm=Fraction(120))
    found = [remark.partition(":")[0] for remark in result.remarks]
    lines = ["line 3", "line 6", "no meter in the file", "line 2", "line 4", "line 5"]
    assert found == [*lines, "no key in the file"]
    assert [c.symbol for c in map_of(result.text).chords] == ["C", "N.C.", "N.C.", "N.C.", "Am"]


def test_lab_with_a_gap_becomes_no_chord(tmp_path):
    result = lab(tmp_path, "0 2 C\n4 6 G\n", quarter_bpm=Fraction(120))
    assert [c.symbol for c in map_of(result.text).chords] == ["C", "N.C.", "G", "N.C."][:3]


def test_lab_off_the_beat_becomes_a_push_or_moves(tmp_path):
    """At 120 an eighth is 0.25 s: 1.75 is an eighth early; 4.68 is 0.36 beats late."""
    result = lab(tmp_path, "0 1.75 C\n1.75 4.68 F\n4.68 8 G\n", quarter_bpm=Fraction(120))
    chords = map_of(result.text).chords
    assert [(c.symbol, c.bar, c.beat) for c in chords] == [("C", 1, 1), ("F", 2, 1), ("G", 3, 2)]
    assert chords[1].start_s - chords[1].sounds_at_s == pytest.approx(0.25)
    assert [r for r in result.remarks if "between beats" in r] == [
        "line 3: G starts 1.36 quarters into its bar, between beats; moved to the nearest beat"
    ]


def test_two_chords_in_one_beat_lose_the_first_with_a_remark(tmp_path):
    result = lab(tmp_path, "0 2 C\n2 2.1 D\n2.1 4 G\n", quarter_bpm=Fraction(120))
    assert [c.symbol for c in map_of(result.text).chords] == ["C", "G"]
    assert "line 2: D lasts less than a beat; dropped" in result.remarks


@pytest.mark.parametrize("content", [b"", b"\n\n", b"a b c\n", b"1 0 C\n"])
def test_a_lab_without_chords_is_refused(tmp_path, content):
    path = tmp_path / "x.lab"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match=r"x\.lab: no line with a start"):
        import_chart(path)


# -- MusicXML -----------------------------------------------------------------------------------

HEAD = '<score-partwise version="4.0"><part-list/><part id="P1">'


def musicxml(folder, measures, head=HEAD):
    path = folder / "x.musicxml"
    path.write_text(f"{head}{measures}</part></score-partwise>")
    return import_chart(path)


def chord_xml(step, kind, more="", text=""):
    return (
        f"<harmony><root><root-step>{step}</root-step></root>"
        f'<kind text="{text}">{kind}</kind>{more}</harmony>'
    )


NOTE = "<note><rest/><duration>4</duration><voice>1</voice></note>"


def test_repeats_and_endings_come_as_written(tmp_path):
    forward = '<barline location="left"><repeat direction="forward"/></barline>'
    first = '<barline location="left"><ending number="1" type="start"/></barline>'
    stop = '<ending number="1" type="stop"/><repeat direction="backward"/>'
    back = f'<barline location="right">{stop}</barline>'
    second = '<barline location="left"><ending number="2" type="start"/></barline>'
    result = musicxml(
        tmp_path,
        f"<measure number='1'>{forward}{chord_xml('C', 'major')}{NOTE}</measure>"
        f"<measure number='2'>{first}{chord_xml('F', 'major')}{NOTE}{back}</measure>"
        f"<measure number='3'>{second}{chord_xml('G', 'dominant')}{NOTE}</measure>",
    )
    assert "|: C | 1. F :| 2. G7 |" in result.text
    assert [c.symbol for c in map_of(result.text).chords] == ["C", "F", "C", "G7"]


def test_jumps_and_words(tmp_path):
    words = "<direction><direction-type><words>{}</words></direction-type></direction>"
    result = musicxml(
        tmp_path,
        f"<measure number='1'>{chord_xml('C', 'major')}{NOTE}{words.format('Fine')}</measure>"
        f"<measure number='2'>{chord_xml('F', 'major')}{NOTE}{words.format('D.C. al Fine')}"
        f"{words.format('play nicely')}</measure>",
    )
    assert [c.symbol for c in map_of(result.text).chords] == ["C", "F", "C"]
    assert result.remarks == (
        "measure 2: words 'play nicely' are not carried over",
        "no key in the file: C major assumed",
    )


@pytest.mark.parametrize(
    ("xml", "symbol"),
    [
        (chord_xml("C", "dominant-13th"), "C13"),
        (chord_xml("C", "half-diminished"), "Cm7b5"),
        (chord_xml("C", "major-minor"), "Cm(maj7)"),
        (
            chord_xml("C", "dominant", "<degree><degree-value>5</degree-value>"
                      "<degree-alter>1</degree-alter><degree-type>alter</degree-type></degree>"),
            "C7#5",
        ),
        (chord_xml("C", "major", "<bass><bass-step>B</bass-step>"
                   "<bass-alter>-1</bass-alter></bass>"), "C/Bb"),
        (chord_xml("C", "other", text="7alt"), "C7alt"),
        (chord_xml("C", "none"), "N.C."),
    ],
)  # fmt: skip
def test_kinds_of_other_programs(tmp_path, xml, symbol):
    result = musicxml(tmp_path, f"<measure number='1'>{xml}{NOTE}</measure>")
    wanted = symbol if symbol == "N.C." else parse_chord(symbol)
    chord = map_of(result.text).chords[0]
    if symbol == "C13":  # MusicXML's thirteenth holds an eleventh
        assert set(chord.pitch_classes) == {0, 4, 7, 10, 2, 5, 9}
    elif symbol == "N.C.":
        assert chord.kind == "no-chord"
    else:
        assert chord.symbol == wanted.symbol


def test_a_kind_without_a_symbol_is_listed_with_its_measure(tmp_path):
    result = musicxml(tmp_path, f"<measure number='7'>{chord_xml('C', 'Tristan')}{NOTE}</measure>")
    assert result.remarks == (
        "measure 7: C 'Tristan': kind 'Tristan' has no degrees; N.C. written",
        "no key in the file: C major assumed",
    )


def test_compressed_musicxml(tmp_path):
    path = tmp_path / "x.mxl"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(
            "META-INF/container.xml",
            '<container><rootfiles><rootfile full-path="a.xml"/></rootfiles></container>',
        )
        archive.writestr("a.xml", export_map(map_of(FUNK), "musicxml")[".musicxml"])
    assert harmony(map_of(import_chart(path).text)) == harmony(map_of(FUNK))


BOMB = (
    b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><score-partwise>&b;</score-partwise>'
)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "not XML"),
        (b"<score-partwise>", "not XML"),
        (b"<html/>", "not MusicXML: the root is <html>"),
        (b"<score-timewise/>", "save it as score-partwise"),
        (b"<score-partwise/>", "no <harmony> in any part"),
        (BOMB, "entities are declared"),
        (b"PK\x03\x04broken", "not compressed MusicXML"),
    ],
)
def test_files_that_are_no_musicxml(tmp_path, content, message):
    path = tmp_path / "x.musicxml"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match=message):
        import_chart(path)


# -- MIDI ---------------------------------------------------------------------------------------


def midi(folder, *messages, **options):
    path = folder / "x.mid"
    track = mido.MidiTrack([*messages, mido.MetaMessage("end_of_track", time=480)])
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(path)
    return import_chart(path, **options)


def text_event(text, time=0, kind="text"):
    return mido.MetaMessage(kind, text=text, time=time)


def test_lyrics_are_chords_and_other_text_is_listed(tmp_path):
    result = midi(
        tmp_path,
        text_event("made by hand"),
        text_event("Dm7", kind="lyrics"),
        text_event("G7", time=960, kind="lyrics"),
        mido.Message("note_on", note=60, velocity=90),
        mido.Message("note_off", note=60, time=480),
    )
    assert [c.symbol for c in map_of(result.text).chords] == ["Dm7", "G7"]
    assert result.remarks == (
        "track 0, tick 0: 'made by hand' is no chord symbol; not carried over",
        "1 note is not carried over: a chart holds chords",
        "no key in the file: C major assumed",
    )


def test_markers_are_chords_only_when_there_is_no_other_chord_text(tmp_path):
    marker = [text_event("A", kind="marker"), text_event("Dm", time=1920, kind="marker")]
    assert [c.symbol for c in map_of(midi(tmp_path, *marker).text).chords] == ["A", "Dm"]
    song = map_of(midi(tmp_path, *marker, text_event("G7")).text)
    assert [s.label for s in song.sections] == ["A", "Dm"]


def test_a_midi_file_of_the_band_comes_back(tmp_path):
    """The file that a render writes, notes and all."""
    from generator.band.arrangement import Arrangement, Note, Part
    from generator.midi import midi_bytes
    from generator.timeline.build import build_timeline

    timeline = build_timeline(parse_chart(FUNK))
    part = Part("bass", 0, 33, (Note(3840, 4800, 40, 90),))
    path = tmp_path / "x.mid"
    path.write_bytes(midi_bytes(Arrangement("plain", 1, (part,)), timeline))
    result = import_chart(path)
    assert harmony(map_of(result.text)) == harmony(map_of(FUNK))
    assert result.remarks == ("1 note is not carried over: a chart holds chords",)


def test_a_pickup_that_completes_the_count_in_is_a_pickup_again(tmp_path):
    """The band's file opens its first 4/4 bar with the count-in; the bar lines must stay there."""
    from generator.band.arrange import arrange
    from generator.band.style import load_style
    from generator.midi import midi_bytes
    from generator.timeline.build import build_timeline

    text = "Tempo: q=90\nPickup: 1\n| N.C. |\n[A]\n| C | Am | F | G |\n"
    timeline = build_timeline(parse_chart(text, "pickup"))
    path = tmp_path / "pickup.mid"
    path.write_bytes(midi_bytes(arrange(timeline, load_style("pop-ballad")), timeline))
    assert "Pickup: 1\n| N.C. |\n[A] mf\n| C | Am | F | G |" in import_chart(path).text


@pytest.mark.parametrize("content", [b"", b"MThd", b"RIFF\0\0\0\0", b"MThd\0\0\0\6\0\1\0\1\1\xe0"])
def test_files_that_are_no_midi(tmp_path, content):
    path = tmp_path / "x.mid"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match=r"x\.mid: (not a MIDI file|no chord text)"):
        import_chart(path)


# -- JAMS ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "not a JAMS file"),
        ("[]", "not a JAMS file"),
        ("{}", "not a JAMS file"),
        ('{"annotations": []}', "no annotation in the namespace chord"),
        ("[" * 100_000, "not a JAMS file"),
    ],
)
def test_files_that_are_no_jams(tmp_path, content, message):
    path = tmp_path / "x.jams"
    path.write_text(content)
    with pytest.raises(ImportFileError, match=message):
        import_chart(path)


def test_jams_lists_what_it_leaves_behind(tmp_path):
    content = json.loads(export_map(map_of(FUNK), "jams")[".jams"])
    content["annotations"].append({"namespace": "mood_thayer", "data": []})
    content["annotations"][0]["data"][3]["value"] = "Q:odd"
    path = tmp_path / "x.jams"
    path.write_text(json.dumps(content))
    remarks = import_chart(path).remarks
    assert remarks[0] == "annotations[5]: namespace 'mood_thayer' is not carried over"
    assert "'Q:odd' is no chord label" in remarks[1]


def test_jams_beats_without_positions_in_quarters(tmp_path):
    """The older `beat` namespace: positions 1 to 3 make a meter of three."""
    content = json.loads(export_map(map_of("Time: 3/4\n[A]\n| C | F / G |\n"), "jams")[".jams"])
    beats = content["annotations"][1]
    beats["namespace"] = "beat"
    for row in beats["data"]:
        row["value"] = row["value"]["position"]
    path = tmp_path / "x.jams"
    path.write_text(json.dumps(content))
    song = map_of(import_chart(path).text)
    assert [(c.symbol, c.bar, c.beat) for c in song.chords] == [
        ("C", 1, 1),
        ("F", 2, 1),
        ("G", 2, 3),
    ]


# -- all ----------------------------------------------------------------------------------------


def test_unknown_endings_and_absent_files(tmp_path):
    with pytest.raises(ImportFileError, match=r"cannot import \.pdf; these endings can be: \.lab"):
        import_chart(tmp_path / "x.pdf")
    with pytest.raises(ImportFileError, match="cannot be read: No such file"):
        import_chart(tmp_path / "x.lab")


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(ENDINGS)), st.integers(0, 10_000), st.binary(max_size=6))
def test_damaged_files_never_end_in_a_traceback(tmp_path_factory, name, place, damage):
    content = DAMAGED[name]
    at = place % len(content)
    path = tmp_path_factory.getbasetemp() / f"damaged{ENDINGS[name]}"
    path.write_bytes(content[:at] + damage + content[at + len(damage) + 1 :])
    with suppress(ImportFileError):
        parse_chart(import_chart(path).text)


DAMAGED = {name: export_map(map_of(SEVEN), name)[ending] for name, ending in ENDINGS.items()}


@pytest.mark.parametrize(
    ("label", "symbol"),
    [
        ("C", "C"),
        ("A:min/b3", "Am/C"),
        ("Bb:7", "Bb7"),
        ("F#:hdim7", "F#m7b5"),
        ("C:(1,5)", "C5"),
        ("D:min7(11)/b7", "Dm7add11/C"),
        ("Eb:sus4(b7,9)", "Eb9sus4"),
        ("G:maj(*3)", "G5"),
        ("C:1", "Cno3no5"),
        ("C:maj13", None),
    ],
)
def test_harte_labels(label, symbol):
    """Forms from the paper of 2005 and from the JAMS `chord` namespace."""
    chord = parse_harte(label)
    if symbol is None:
        assert set(chord.pitch_classes) == {0, 4, 7, 11, 2, 5, 9}
    else:
        assert chord.symbol == parse_chord(symbol).symbol


@pytest.mark.parametrize("label", ["", "H:maj", "C:foo", "C:maj(", "C:maj(x)", "C:7/x", "X"])
def test_harte_labels_that_say_nothing_we_know(label):
    with pytest.raises(ChordError):
        parse_harte(label)


def test_tempos_come_back_as_written():
    """Every whole tempo survives the whole microseconds of MIDI and the six decimals of the map."""
    for bpm in range(20, 401):
        stored = round(60e6 / round(60e6 / bpm), 6)
        assert tempo(stored) == bpm


def test_io_of_the_reader_is_bytes():
    assert mido.MidiFile(file=io.BytesIO(DAMAGED["midi"])).ticks_per_beat == 960


FORMS = {
    "three endings in two": "[A]\n|: C | D |1-2. F :|3. G | Am |\n",
    "an ending twice": "[A]\n|: C | D |1. F :|2-3. G | Am :|\n[B]\n| Dm |\n",
    "four times": "[A]\n|: C | D :| x4\n| G |\n",
    "choruses": "Choruses: 3\n[Intro]\n| F |\n[A]\n|: C | Dm :|\n| G |\n[Outro]\n| Am |\n",
    "dal segno al coda": '[A] "Segno"\n| C | D "To Coda" | E | F "D.S. al Coda" |\n[Coda]\n| G |\n',
    "three endings": "[A]\n|: C |1. D :|2. E :|3. F |\n",
    "over two sections": "[A]\n|: C |\n[B]\n| D |1. F :|2. G |\n",
    "form by names": "Form: A B A C\n[A]\n| C | Dm |\n[B]\n| F |\n[C]\n| G |\n",
}


@pytest.mark.parametrize("text", FORMS.values(), ids=FORMS)
def test_forms_come_back_through_musicxml(tmp_path, text):
    song = map_of(text)
    again = map_of(imported(tmp_path, song, "musicxml").text)
    assert harmony(again) == harmony(song)
