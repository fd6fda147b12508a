"""Chords against two reference libraries.

* mir_eval (C. Raffel et al. 2014) reads the Harte label: every quality, extended chords reduced,
  the bass counted.
* music21 (M. Cuthbert and C. Ariza 2010) reads the symbol itself, where it reads it as musicians
  do, and the MusicXML that the chord becomes.

What music21 10.5 makes of the other symbols stands in the last column of `harmony_tables.py`: it
has no `°`, `Δ`, `mi`, `ma`, parentheses, `omit` or `alt`, takes `-` for a flat, and builds a
dominant thirteenth with the eleventh.
"""

import mir_eval
import pytest
from harmony_tables import ROWS, pitch_classes_on_c
from music21 import converter, harmony

from generator.harmony.chord import parse_chord
from generator.harmony.quality import QUALITIES

BASSES = "C Db D Eb E F F# Gb G Ab A Bb B".split()


def by_label(chord) -> tuple[int, set[int], int]:
    """Return root, pitch classes and bass as mir_eval reads the Harte label of a chord."""
    root, bitmap, bass = mir_eval.chord.encode(chord.harte, reduce_extended_chords=True)
    assert set(bitmap) <= {0, 1}
    found = {(root + step) % 12 for step in range(12) if bitmap[step]}
    return root, found, (root + bass) % 12


@pytest.mark.parametrize(("suffix", "degrees", "verdict"), ROWS)
def test_labels_of_the_written_table_in_mir_eval(suffix, degrees, verdict):
    root, found, bass = by_label(parse_chord("C" + suffix))
    assert root == 0
    assert found == pitch_classes_on_c(degrees)
    assert bass == min(pitch_classes_on_c(degrees[:1]))


@pytest.mark.parametrize("row", QUALITIES, ids=lambda row: row.symbol or "major")
def test_every_quality_over_every_bass_in_mir_eval(row):
    for root in ("C", "F#", "Ab"):
        for bass in BASSES:
            chord = parse_chord(f"{root}{row.symbol}/{bass}")
            assert by_label(chord) == (
                chord.root.pitch_class,
                set(chord.pitch_classes),
                chord.bass_pitch_class,
            ), chord.symbol


@pytest.mark.parametrize("suffix", [row[0] for row in ROWS if row[2] == "="])
def test_symbols_that_music21_reads(suffix):
    chord = parse_chord("C" + suffix)
    read = harmony.ChordSymbol("C" + suffix)
    assert {pitch.pitchClass for pitch in read.pitches} == set(chord.pitch_classes)
    assert read.bass().pitchClass == chord.bass_pitch_class


MUSICXML = """<?xml version="1.0"?>
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name></score-part>
</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions></attributes>
<harmony><root><root-step>C</root-step></root><kind>{kind}</kind>{degrees}</harmony>
<note><rest/><duration>4</duration></note></measure></part></score-partwise>"""
DEGREE = (
    "<degree><degree-value>{}</degree-value><degree-alter>{}</degree-alter>"
    "<degree-type>{}</degree-type></degree>"
)


@pytest.mark.parametrize("row", QUALITIES, ids=lambda row: row.symbol or "major")
def test_musicxml_kinds_and_degrees_in_music21(row):
    chord = parse_chord("C" + row.symbol)
    spelled = chord.musicxml
    degrees = "".join(DEGREE.format(*degree) for degree in spelled.degrees)
    score = converter.parseData(MUSICXML.format(kind=spelled.kind, degrees=degrees), format="xml")
    read = score.recurse().getElementsByClass(harmony.ChordSymbol).first()
    assert {pitch.pitchClass for pitch in read.pitches} == set(chord.pitch_classes)
