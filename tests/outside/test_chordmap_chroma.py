"""The worked examples of the chord map's README, run on a rendered track.

The third compares the audio with the map through librosa's constant-Q chroma (McFee et al. 2015).
"""

import re
from itertools import pairwise
from pathlib import Path

import pytest

import generator
from generator import ChordMap, RenderOptions, render_track

# What librosa compiles is kept on disk: one worker at a time, or two write the same file.
pytestmark = pytest.mark.xdist_group("librosa")

PACKAGE = Path(generator.__file__).parent
README = (PACKAGE / "chordmap" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(
    r"```python\n(.*?)```",
    README.partition("## Worked examples")[2].partition("## Fields")[0],
    re.S,
)
SHARES, TONES, CHROMA = EXAMPLES


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder with the demo rendered to WAV, with its map."""
    made = tmp_path_factory.mktemp("demo")
    render_track(PACKAGE / "demo.chart", made, RenderOptions(formats=("wav", "map")))
    return made


@pytest.fixture
def run(folder, monkeypatch, capsys):
    """Run an example in the folder; returns its names, and what it printed."""
    monkeypatch.chdir(folder)

    def run(code):
        names = {}
        exec(compile(code, "README.md", "exec"), names)
        return names, capsys.readouterr().out

    return run


def test_shares_of_time_by_root(run):
    names, printed = run(SHARES)
    song = names["song"]
    by_ticks = {}
    for chord in song.chords:  # the demo has one tempo, so ticks must give the same shares
        name = chord.root or chord.symbol
        by_ticks[name] = by_ticks.get(name, 0) + chord.end_tick - chord.start_tick
    total = song.bars[-1].end_tick - song.bars[0].start_tick
    assert len(song.tempos) == 1
    expected = {name: f"{ticks / total:.1%}" for name, ticks in by_ticks.items()}
    assert dict(line.split() for line in printed.splitlines()) == expected
    assert printed.startswith("E ")  # E minor: the tonic leads


def test_chord_tones_at_42_seconds(run):
    """By hand: a bar lasts 4 x 0.612245 s, so 42.0 s lies in bar 17 after one bar of count-in.

    Bars 1-4 are the intro, 5-12 A with its first ending, 13-16 A again, and 17 starts the second
    ending: Em9, then A13.
    """
    _, printed = run(TONES)
    assert int(42.0 / (4 * 0.612245)) == 17
    assert printed.splitlines() == [
        "bar 17: Em9 has E G B D F#",
        "next: A13 at 44.08 s",
    ]


def test_the_audio_sounds_as_the_map_says(run):
    names, printed = run(CHROMA)
    won = names["won"]
    assert len(won) == 46
    assert sum(won) / len(won) >= 0.9, printed


def test_the_chroma_comparison_can_fail(run):
    """The same audio against a map whose chords lie a bar late loses in most bars."""
    names, _ = run(CHROMA)
    song, chroma, times = names["song"], names["chroma"], names["times"]
    late = song.at_offset(song.bars[0].end_s - song.bars[0].start_s)
    won = []
    for before, chord, after in zip(late.chords, late.chords[1:], late.chords[2:], strict=False):
        if {before.kind, chord.kind, after.kind} == {"chord"}:
            heard = chroma[:, (times >= chord.start_s) & (times < chord.end_s)].mean(axis=1)
            scores = [names["likeness"](each, heard) for each in (before, chord, after)]
            won.append(scores[1] == max(scores))
    assert sum(won) / len(won) < 0.6


def test_the_map_of_the_demo_tiles(folder):
    song = ChordMap.load(folder / "Lantern Row.chordmap.json")
    assert all(a.end_s == b.start_s for a, b in pairwise(song.chords))
    assert song.audio[0].file == "Lantern Row.wav"
    assert song.audio[0].duration_s >= song.end_s
