"""`.lab` and JAMS read back by the libraries that own them.

Sources: mir_eval (Raffel et al. 2014) for the meaning of chord labels after Harte et al. 2005; the
`jams` library (Humphrey et al. 2014) with its own schemas.
"""

import io
import re

import jams
import mir_eval
import numpy as np
import pytest
from chordmap_charts import CHARTS, FUNK, SEVEN, WALTZ, every_quality, map_of

from generator.chordmap.export import export_map
from generator.harmony.spelling import Degree

ALL = {**CHARTS, "every quality": every_quality()}


def labels_of(song, **options):
    text = export_map(song, "lab", **options)[".lab"].decode()
    return mir_eval.io.load_labeled_intervals(io.StringIO(text))


def tones_and_bass(label):
    """Return pitch classes and bass of a label as mir_eval understands it, ninths and all."""
    root, bitmap, bass = mir_eval.chord.encode(label, reduce_extended_chords=True)
    return {int(root + i) % 12 for i in np.flatnonzero(bitmap)}, int(root + bass) % 12


@pytest.mark.parametrize("text", ALL.values(), ids=ALL)
def test_mir_eval_reads_the_pitch_classes_of_the_map(text):
    song = map_of(text)
    intervals, labels = labels_of(song)
    mir_eval.util.validate_intervals(intervals)
    assert labels[0] == "N"  # the count-in
    assert len(labels) == len(song.chords) + 1
    for chord, label in zip(song.chords, labels[1:], strict=True):
        if chord.kind != "chord":
            assert label == "N"
            continue
        tones, bass = tones_and_bass(label)
        assert tones == set(chord.pitch_classes), label
        if chord.bass:
            assert bass == chord.pitch_classes[0], label


@pytest.mark.parametrize(
    ("symbol", "label"),
    [
        ("C6/9", "C:maj6(9)"),
        ("Cadd9", "C:maj(9)"),
        ("C7sus4", "C:sus4(b7)"),
        ("C7b5", "C:7(*5,b5)"),
        ("C7#9", "C:7(#9)"),
        ("Cm7b5", "C:hdim7"),
        ("Am7/G", "A:min7/b7"),
        ("C5", None),
    ],
)
def test_labels_spell_what_the_shorthand_lacks(symbol, label):
    """Examples from the syntax of Harte et al. 2005, section 4; explicit degrees as asked."""
    _, labels = labels_of(map_of(f"[A]\n| {symbol} |\n"))
    if label is None:
        assert tones_and_bass(labels[1])[0] == {0, 7}
    else:
        assert labels[1] == label


@pytest.mark.parametrize("text", CHARTS.values(), ids=CHARTS)
def test_intervals_tile_from_zero_to_the_end(text):
    song = map_of(text)
    intervals, _ = labels_of(song)
    assert intervals[0, 0] == 0
    assert intervals[-1, 1] == song.end_s
    assert np.array_equal(intervals[1:, 0], intervals[:-1, 1])


def test_shifts():
    song = map_of(FUNK)
    plain, _ = labels_of(song)
    later, _ = labels_of(song, shift_s=12.5)
    assert np.allclose(later[1:], plain[1:] + 12.5, atol=1e-9)
    assert later[0].tolist() == [0, plain[0, 1] + 12.5]
    earlier, labels = labels_of(song, shift_s=-10.0)
    assert earlier[0, 0] == 0
    assert earlier[-1, 1] == pytest.approx(song.end_s - 10)
    assert labels[0] == song.chord_at(10.0).harte


def jam_of(song, **options):
    text = export_map(song, "jams", **options)[".jams"].decode()
    return jams.load(io.StringIO(text))


@pytest.mark.parametrize("text", ALL.values(), ids=ALL)
def test_jams_loads_and_validates(text):
    song = map_of(text)
    jam = jam_of(song)
    assert jam.validate(strict=True)
    assert [annotation.namespace for annotation in jam.annotations] == [
        "chord",
        "beat_position",
        "segment_open",
        "key_mode",
        "tempo",
    ]
    chords = jam.annotations[0].data
    assert [row.value for row in chords[1:]] == [chord.harte for chord in song.chords]
    assert [row.time for row in chords[1:]] == [chord.start_s for chord in song.chords]
    beats = jam.annotations[1].data
    assert [row.time for row in beats] == [beat.time_s for beat in song.beats()]
    assert jam.file_metadata.title == song.title
    assert jam.file_metadata.duration == song.end_s


def test_jams_keeps_sections_keys_and_tempo():
    jam = jam_of(map_of(SEVEN))
    assert [row.value for row in jam.search(namespace="segment_open")[0].data] == ["A", "A", "B"]
    keys = jam.search(namespace="key_mode")[0].data
    assert [row.value for row in keys] == ["D:dorian", "G:minor"]
    tempos = jam.search(namespace="tempo")[0].data
    assert tempos[0].value == pytest.approx(105, abs=1e-3)  # e=210


def test_beat_positions_count_in_the_unit_of_the_meter():
    song = map_of(SEVEN)
    rows = jam_of(song).search(namespace="beat_position")[0].data
    first = [row.value["position"] for row in rows[:4]]
    assert first == [1, 3, 6, 1]  # 7/8 (2+3+2): the eighths 1, 3 and 6
    waltz = jam_of(map_of(WALTZ)).search(namespace="beat_position")[0].data
    assert (waltz[0].value["position"], waltz[0].value["measure"]) == (3, 0)  # a pickup


def test_jams_chords_score_full_marks_in_mir_eval():
    """The jams library hands both annotations to mir_eval: the same song must score 1."""
    song = map_of(every_quality())
    jam, again = jam_of(song), jam_of(song)
    scores = jams.eval.chord(jam.annotations[0], again.annotations[0])
    assert all(value == pytest.approx(1) for value in scores.values())


def test_a_label_never_names_a_degree_beyond_thirteen():
    for chord in map_of(every_quality()).chords:
        for degree in re.findall(r"\*?([b#]*\d+)[,)]", chord.harte):
            assert 1 <= Degree.parse(degree).number <= 13


HOSTILE = "A <b>&\"'</b> 🎸 \\ — -->"


def test_hostile_titles_reach_jams_whole():
    song = map_of(FUNK.replace("Brass Button", HOSTILE))
    assert jam_of(song).file_metadata.title == HOSTILE
