"""The cues that the whole band obeys, and the band as a whole."""

import hashlib
import os
import pickle
import subprocess
import sys
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.band.arrange import arrange
from generator.band.arrangement import PART_NAMES, Note
from generator.band.cues import read_cues
from generator.band.style import load_style, style_names
from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline

QUARTER = 960
BAR = 4 * QUARTER


def timeline(bars, *, time="4/4", tempo="q=110", head=""):
    text = f"Title: T\nKey: C\nTime: {time}\nTempo: {tempo}\n{head}\n[A] mf\n{bars}\n"
    return build_timeline(parse_chart(text, "arrange.chart"), count_in_bars=0)


def cues(bars, **more):
    return [
        (cue.kind, cue.start_tick / QUARTER, cue.end_tick / QUARTER)
        for cue in read_cues(timeline(bars), **more).cues
    ]


def test_a_rest_is_silent():
    assert cues("| C r F / | C |")[:3] == [("groove", 0, 1), ("silent", 1, 2), ("groove", 2, 4)]


def test_a_push_starts_early_and_ends_the_chord_before_it():
    found = read_cues(timeline("| C | <F | C |")).cues
    assert [(c.start_tick, c.end_tick) for c in found[:2]] == [(0, BAR - 480), (BAR - 480, 2 * BAR)]
    push = found[1]
    assert push.pushed
    assert push.struck
    assert not push.opens(BAR - 480)
    assert not push.opens(BAR)
    assert push.opens(BAR + 480)
    assert push.written_tick == BAR


def test_a_hit_is_let_go_after_an_eighth_and_silent_to_its_end():
    all_cues = read_cues(timeline("| C^ / / r | F | C |"))
    hit, rest = all_cues.cues[:2]
    assert (hit.kind, hit.release_tick, hit.end_tick) == ("hit", 480, 3 * QUARTER)
    assert rest.kind == "silent"
    assert all_cues.silences() == ((480, 3 * QUARTER), (3 * QUARTER, BAR))


def test_stop_time_is_a_hit_on_every_chord_and_bar():
    track = timeline('| "stop-time" C | % | F / G7 / |\n[B]\n| C | C |')
    kinds = [(c.kind, c.start_tick / QUARTER) for c in read_cues(track).cues]
    assert track.stops == ((0, 3 * BAR),)
    assert kinds[:4] == [("hit", 0), ("hit", 4), ("hit", 8), ("hit", 10)]
    assert kinds[4] == ("groove", 12)


def test_stop_time_may_begin_and_end_under_one_chord():
    track = timeline('| C | "stop-time" % |\n[B]\n| % | F |')
    assert track.stops == ((BAR, 2 * BAR),)
    kinds = [(c.kind, c.start_tick / QUARTER, c.end_tick / QUARTER) for c in read_cues(track).cues]
    assert kinds[:3] == [("groove", 0, 4), ("hit", 4, 8), ("groove", 8, 12)]


def test_held_chords_are_struck_once():
    assert cues("| C<> | F(.) | G7 | C |")[:2] == [("hold", 0, 4), ("hold", 4, 8)]


def test_no_chord_is_a_groove_without_pitch():
    found = read_cues(timeline("| C | N.C. | C |")).cues
    assert [(c.kind, c.pitched) for c in found[:2]] == [("groove", True), ("groove", False)]


@pytest.mark.parametrize(
    ("bars", "start", "release"),
    [
        ("| F | C |", 4, 8),  # the last bar
        ("| C | % | % |", 8, 12),  # a long last chord: its last bar
        ("| F | G7 / / C |", 7, 9),  # at least two beats, past the bar line
        ("| F | <C |", 3.5, 8),
    ],
)
def test_the_last_chord_rings(bars, start, release):
    last = read_cues(timeline(bars)).cues[-1]
    assert (last.kind, last.final) == ("hold", True)
    assert (last.start_tick / QUARTER, last.release_tick / QUARTER) == (start, release)


def test_a_chart_may_end_its_own_way():
    assert cues("| F | C^ r r r |")[-2:] == [("hit", 4, 5), ("silent", 5, 8)]
    assert cues("| F | N.C. |")[-1] == ("groove", 4, 8)
    cut = read_cues(timeline("| F | C |"), ending="cut").cues[-1]
    assert cut.release_tick == BAR + QUARTER


def test_a_style_may_slow_down_towards_the_last_chord():
    style = load_style("slow-minor-ballad")
    track = timeline("| C | F | G7 | C |", tempo="q=60")
    slowed = style.ended(track)
    assert slowed.clock.seconds(2 * BAR) == 8.0
    assert slowed.clock.quarter_bpm(3 * BAR) == pytest.approx(45)
    # twelve quarters as written; eight eighths from 60 down to 46.9; four quarters at 45
    eighths = sum(0.5 / (1 - 0.25 * i / 8) for i in range(8))
    assert slowed.clock.seconds(4 * BAR) == pytest.approx(8 + eighths + 4 * 60 / 45, abs=1e-4)
    assert [mark.text for mark in slowed.tempo_marks[-1:]] == ["rit."]
    assert load_style("pop-ballad").ended(track) == track
    for bars in ('| C | F | G7 "rit." | C |', "| C | F | G7 | C^ r r r |", "| C | F | G7 | C(.) |"):
        own = timeline(bars, tempo="q=60")
        assert style.ended(own) == own


def test_the_map_hears_a_push_on_the_swung_grid():
    track = timeline("| C | <F | C / / <G7 | C |")
    swung = load_style("medium-shuffle").groove(track, 1).with_swung_pushes()
    assert [c.sounds_tick for c in swung.chords if c.sounds_tick < c.start_tick] == [
        BAR - 320,
        3 * BAR - QUARTER - 320,
    ]
    assert load_style("straight-eighth-rock").groove(track, 1).with_swung_pushes() == track


bar_texts = st.sampled_from(
    ["C", "C / F /", "C r F /", "C^ r r r", "N.C.", "C / / <F", "F / <<G7 /", "C<>", "r r r r",
     "F(.)", "<G7", '"stop-time" C / F /']
)  # fmt: skip


@given(st.lists(bar_texts, min_size=1, max_size=8))
def test_cues_tile_the_music(bars):
    bars = ["C", *bars]
    track = timeline("| " + " | ".join(bars) + " |")
    found = read_cues(track).cues
    assert found[0].start_tick == track.first_tick
    assert found[-1].end_tick == track.end_tick
    for before, after in pairwise(found):
        assert before.end_tick == after.start_tick
    for cue in found:
        assert cue.start_tick < cue.end_tick
        assert cue.start_tick <= cue.written_tick
        assert cue.release_tick <= cue.end_tick or cue.final
        assert not cue.opens(cue.start_tick) or cue.kind == "groove"
        assert read_cues(track).at(cue.start_tick) == cue


def test_every_style_brings_a_band():
    for name in style_names():
        style = load_style(name)
        time = style.meters[0] if style.meters[0] != "any" else "4/4"
        track = timeline(
            "| C | Am | F | G7 |", time=time, tempo=f"{style.tempo_unit}={style.tempo[0]}"
        )
        band = arrange(track, style)
        names = [part.name for part in band.parts]
        assert names == [part for part in PART_NAMES if part in names] == list(style.parts)
        assert {"drums", "bass", "pad"} <= set(names), name
        assert all(part.notes for part in band.parts)
        assert band.remarks == (), name


def test_a_meter_that_the_style_does_not_know_is_played_plainly_and_told():
    track = timeline("| C | F | 7/8 C | G7 | 4/4 C | 7/8 F | 5/8 F | 4/4 C |")
    band = arrange(track, load_style("medium-swing"))
    assert band.remarks == (
        "medium-swing does not play 7/8; a plain pattern plays bars 3-4, 6",
        "medium-swing does not play 5/8; a plain pattern plays bar 7",
    )
    drums = band.parts[0]
    for bar in track.bars[:-1]:
        assert any(bar.start_tick <= n.start_tick < bar.end_tick for n in drums.notes)


def test_a_tempo_outside_the_range_is_told():
    fast = arrange(timeline("| C | F |", tempo="q=240"), load_style("pop-ballad"))
    assert fast.remarks == ("pop-ballad is made for q=56 to q=92; q=240 is played all the same",)


DIGEST = """
import hashlib
from generator.band.arrange import arrange
from generator.band.style import load_style
from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline
text = "Title: T\\nKey: C\\nTime: 4/4\\nTempo: q=98\\n[A] mf\\n| Cmaj7 | <A7 | Dm7^ r r r | G7 |\\n"
band = arrange(build_timeline(parse_chart(text, "x")), load_style("sixteenth-funk"), seed=4)
print(hashlib.sha256(repr(band).encode()).hexdigest())
"""


def test_the_same_seed_is_the_same_music_in_any_process():
    digests = {
        subprocess.run(
            [sys.executable, "-c", DIGEST],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
        ).stdout
        for hash_seed in ("1", "77")
    }
    assert len(digests) == 1


def test_another_seed_is_other_music():
    track = timeline("| C | Am | F | G7 |")
    style = load_style("bossa-nova")
    bands = {
        hashlib.sha256(repr(arrange(track, style, seed=s)).encode()).hexdigest() for s in range(5)
    }
    assert len(bands) == 5


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(style_names()),
    st.sampled_from(["2/4", "3/4", "5/4", "6/8", "9/8", "12/8", "7/8", "5/8", "3/8", "2/2",
                     "11/8", "8/8 (3+3+2)", "13/16 (3+3+3+2+2)", "32/16", "1/4"]),
    st.sampled_from(["pp", "mf", "ff"]),
    st.sampled_from([40, 120, 300]),
)  # fmt: skip
def test_any_style_plays_any_meter_at_any_mark(name, time, mark, tempo):
    text = f"Title: T\nKey: C\nTime: {time}\nTempo: q={tempo}\n[A] {mark}\n| C | F | G7 | C |\n"
    track = build_timeline(parse_chart(text, "any.chart"))
    band = arrange(track, load_style(name))
    for part in band.parts:
        ends = [note.end_tick for note in part.notes]
        assert all(note.start_tick < note.end_tick for note in part.notes)
        assert part.name != "bass" or ends
    drums = band.parts[0]
    for bar in track.bars[:-1]:
        assert any(bar.start_tick - 60 <= n.start_tick < bar.end_tick for n in drums.notes)


@pytest.mark.parametrize("style", ["pop-ballad", "plain"])
def test_a_band_is_the_same_after_it_went_to_another_process(style):
    band = arrange(timeline("| C | <F | G7^ | C |"), load_style(style), seed=3)
    again = pickle.loads(pickle.dumps(band))
    assert again == band
    for part, packed in zip(band.parts, again.parts, strict=True):
        notes = packed.notes
        assert {type(note) for note in notes} == {Note}
        assert (len(notes), notes[-1]) == (len(part.notes), part.notes[-1])
        assert (notes[1:3], [*reversed(notes)]) == (part.notes[1:3], [*part.notes[::-1]])
        assert hash(packed) == hash(part)
    assert pickle.loads(pickle.dumps(again)) == band


def test_every_key_hears_the_same_drums():
    """They go by bars, strikes and dynamics alone: they are made for one key and shared."""
    bars = "| {0} | <F | {0}^ | N.C. | C / r / |\n[B] ff\n| {0} | Am |"
    bands = [
        arrange(timeline(bars.format(chord)), load_style("sixteenth-funk")) for chord in ("C", "D7")
    ]
    assert bands[0].parts[0] is bands[1].parts[0]
    assert bands[0].parts[1] != bands[1].parts[1]


@pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")
@pytest.mark.parametrize("name", ["pop-ballad", "plain", "sixteenth-funk"])
def test_a_long_track_is_the_same_by_two_processes(name, monkeypatch):
    track = timeline("| C | <F | G7^ | N.C. |\n[B] ff\n| Am | Dm7 / G7 / |")
    alone = arrange(track, load_style(name), seed=5)
    copied, fork = [], os.fork
    monkeypatch.setattr("generator.beside.os.fork", lambda: copied.append(1) or fork())
    monkeypatch.setattr("generator.beside.threading.active_count", lambda: 1)
    assert arrange(track, load_style(name), seed=5, jobs=2) == alone
    assert not copied, "a short one is not worth it"
    monkeypatch.setattr("generator.band.arrange._LONG_BARS", 1)
    assert arrange(track, load_style(name), seed=5, jobs=2) == alone
    assert copied
