"""MusicXML read back by music21, and held against the schema that music21 ships.

That schema is MusicXML 2.0 (W3C XML Schema), the newest in an installed package; 4.0 adds one
thing that we write, the tie that rings (`let-ring`), which is taken out before the check.
"""

import io
from pathlib import Path

import music21
import pytest
from chordmap_charts import CHARTS, FUNK, SEVEN, WALTZ, every_quality, map_of
from lxml import etree

from generator.chordmap.export import export_map

ALL = {**CHARTS, "every quality": every_quality()}


def xml_of(song, **options):
    return export_map(song, "musicxml", **options)[".musicxml"]


def score_of(song):
    return music21.converter.parse(xml_of(song), format="musicxml")


def played_part_of(song):
    """Return the part with its repeats and endings played out by music21."""
    return score_of(song).parts[0].expandRepeats()


# Imported by the schema from the web; these two hold what it refers to.
_XLINK = b"""<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema"
 targetNamespace="http://www.w3.org/1999/xlink">
 <xs:attribute name="href" type="xs:anyURI"/><xs:attribute name="type" type="xs:string"/>
 <xs:attribute name="role" type="xs:string"/><xs:attribute name="title" type="xs:string"/>
 <xs:attribute name="show" type="xs:string"/><xs:attribute name="actuate" type="xs:string"/>
</xs:schema>"""
_XML = b"""<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema"
 targetNamespace="http://www.w3.org/XML/1998/namespace">
 <xs:attribute name="lang" type="xs:language"/><xs:attribute name="space" type="xs:NCName"/>
</xs:schema>"""


class _Local(etree.Resolver):
    def resolve(self, url, _, context):
        if url.endswith("xlink.xsd"):
            return self.resolve_string(_XLINK, context)
        if url.endswith("/xml.xsd") and "musicxml.org" in url:
            return self.resolve_string(_XML, context)
        return None


@pytest.fixture(scope="module")
def schema():
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(_Local())
    path = Path(music21.__file__).parent / "musicxml" / "musicxml.xsd"
    return etree.XMLSchema(etree.parse(str(path), parser))


@pytest.mark.parametrize("text", ALL.values(), ids=ALL)
def test_the_file_holds_against_the_schema(schema, text):
    document = etree.fromstring(xml_of(map_of(text)))
    for tied in document.iterfind(".//tied[@type='let-ring']"):
        tied.getparent().getparent().remove(tied.getparent())
    schema.assertValid(document)


def test_the_schema_check_can_fail(schema):
    document = etree.fromstring(xml_of(map_of(FUNK)))
    harmony = document.find(".//harmony")
    harmony.append(harmony.find("root"))  # kind before root
    assert not schema.validate(document)


@pytest.mark.parametrize("text", ALL.values(), ids=ALL)
def test_music21_finds_each_chord_at_its_place(text):
    song = map_of(text)
    part = played_part_of(song)
    found = list(part.recurse().getElementsByClass("Harmony"))
    wanted = [chord for chord in song.chords if chord.kind != "rest"]
    zero = song.bars[0].start_tick
    assert len(found) == len(wanted)
    for harmony, chord in zip(found, wanted, strict=True):
        offset = harmony.getOffsetInHierarchy(part)
        assert offset * 960 == pytest.approx(chord.start_tick - zero), chord.symbol
        if chord.kind == "no-chord":
            assert isinstance(harmony, music21.harmony.NoChord)
        else:
            assert harmony.root().pitchClass == _pitch_class(chord.root)
            assert harmony.bass().pitchClass == _pitch_class(chord.bass or chord.root)


def _pitch_class(name):
    return music21.pitch.Pitch(name.replace("b", "-")).pitchClass


def test_music21_finds_the_tones_of_every_quality():
    song = map_of(every_quality())
    found = list(score_of(song).recurse().getElementsByClass("ChordSymbol"))
    for harmony, chord in zip(found, song.chords, strict=True):
        tones = {pitch.pitchClass for pitch in harmony.pitches}
        assert tones == set(chord.pitch_classes), (chord.symbol, harmony.figure)


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_measures_meters_and_lengths(text):
    song = map_of(text)
    measures = list(played_part_of(song).getElementsByClass("Measure"))
    assert len(measures) == len(song.bars)
    for measure, bar in zip(measures, song.bars, strict=True):
        assert measure.duration.quarterLength * 960 == bar.end_tick - bar.start_tick
        sounding = sum(note.quarterLength for note in measure.notesAndRests)
        assert sounding * 960 == bar.end_tick - bar.start_tick
        if measure.timeSignature:
            meter = measure.timeSignature
            assert bar.meter.startswith(f"{meter.numerator}/{meter.denominator}")


def test_additive_meters_keep_their_groups():
    xml = etree.fromstring(xml_of(map_of(SEVEN)))
    assert [e.text for e in xml.iterfind(".//time/beats")] == ["2+3+2", "4", "6", "2+3+2"]
    notes = xml.find(".//measure").findall("note")
    assert [note.findtext("duration") for note in notes] == ["960", "1440", "960"]
    assert [len(note.findall("dot")) for note in notes] == [0, 1, 0]


def test_key_tempo_and_rehearsal_marks():
    score = score_of(map_of(SEVEN))
    keys = list(score.recurse().getElementsByClass("KeySignature"))
    assert [key.sharps for key in keys] == [0, -2]
    marks = [mark.content for mark in score.recurse().getElementsByClass("RehearsalMark")]
    assert marks == ["A", "B"]
    tempos = list(score.recurse().getElementsByClass("MetronomeMark"))
    assert tempos[0].getQuarterBPM() == pytest.approx(105, abs=0.01)


def test_a_silent_band_is_a_rest_and_a_chord_is_slashes():
    xml = etree.fromstring(xml_of(map_of(FUNK)))
    fourth = xml.findall(".//measure")[3]
    kinds = ["rest" if n.find("rest") is not None else n.findtext("notehead")
             for n in fourth.findall("note")]  # fmt: skip
    assert kinds == ["slash", "slash", "slash", "rest"]
    assert fourth.findall("note")[2].find("notations/articulations/strong-accent") is not None


def test_a_pickup_is_implicit():
    first = etree.fromstring(xml_of(map_of(WALTZ))).find(".//measure")
    assert (first.get("number"), first.get("implicit")) == ("0", "yes")


def test_the_curve_of_a_rit_is_heard_and_not_printed():
    text = 'Tempo: q=120\n[A]\n| C | F "rit." | G | "a tempo" C | "q=90" C |\n'
    song = map_of(text)
    xml = etree.fromstring(xml_of(song))
    printed = [e.text for e in xml.iterfind(".//per-minute")]
    assert printed == ["120", "90"]
    assert {"rit.", "a tempo"} <= {e.text for e in xml.iterfind(".//words")}
    assert len(xml.findall(".//sound[@tempo]")) == len(song.tempos)


HOSTILE = "A <b>&\"'</b> 🎸 \\ — --> ]]>"


def test_hostile_titles_and_sections_reach_music21():
    song = map_of(FUNK.replace("Brass Button", HOSTILE).replace("A. Nobody", "<&>"))
    score = score_of(song)
    assert score.metadata.title == HOSTILE
    assert score.metadata.composer == "<&>"


def test_control_characters_cannot_break_the_file():
    from dataclasses import replace

    song = replace(map_of(FUNK), title="one\r\ntwo\x00\x1b")
    assert etree.parse(io.BytesIO(xml_of(song))).findtext("work/work-title") == "one two"


def test_a_shift_changes_nothing():
    song = map_of(FUNK)
    assert xml_of(song, shift_s=12.0) == xml_of(song)


@pytest.mark.parametrize(
    "text",
    [
        "[A]\n|: C | D |1-2. F :|3. G | Am |\n",
        "[A]\n|: C | D |1. F :|2-3. G | Am :|\n[B]\n| Dm |\n",
        "[A]\n|: C | D :| x4\n| G |\n",
        "Choruses: 3\n[Intro]\n| F |\n[A]\n|: C | Dm :|\n| G |\n[Outro]\n| Am |\n",
        '[A] "Segno"\n| C | D "To Coda" | E | F "D.S. al Coda" |\n[Coda]\n| G |\n',
        "[A]\n|: C |1. D :|2. E :|3. F |\n",
    ],
)
def test_music21_plays_repeats_and_endings_as_the_map_does(text):
    song = map_of(text)
    roots = [h.root().name for h in played_part_of(song).recurse().getElementsByClass("Harmony")]
    assert roots == [chord.root for chord in song.chords]
