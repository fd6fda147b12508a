"""The corpora: charts that must unfold as written beside them, and charts that must fail so.

Each valid chart says in a comment, `; plays:`, in which order its written bars are heard, and each
invalid one, `; faults:`, where its problems stand. Those two were worked out by hand. The files
beside the charts hold everything else; look at the difference before rewriting them with

    python tests/test_chart_corpus.py --write
"""

import re
import sys
from pathlib import Path

import pytest

from generator.chart.format import format_chart
from generator.chart.parser import parse_chart, read_chart
from generator.chart.transpose import transpose_chart
from generator.errors import ChartError
from generator.harmony.transposition import key_after_semitones
from generator.timeline.build import build_timeline
from generator.timeline.model import Timeline, TimelineBar, TimelineChord
from generator.timeline.summary import summarize

FOLDER = Path(__file__).parent / "charts"
VALID = sorted((FOLDER / "valid").glob("*.chart"))
INVALID = sorted((FOLDER / "invalid").glob("*.chart"))
STYLES = ("bossa-nova", "jazz-waltz", "medium-swing", "seven-eight-rock", "sixteenth-funk")


def by_name(path: Path) -> str:
    return path.stem


def unfolded(path: Path) -> Timeline:
    return build_timeline(read_chart(path, STYLES))


def described(timeline: Timeline) -> str:
    """Return a timeline as text: form, tempos, dynamics, then a line a bar with its chords."""
    clock = timeline.clock
    music = f"{at(timeline, timeline.first_tick)} to {at(timeline, timeline.end_tick)}"
    lines = [
        summarize(timeline),
        f"count-in {len(timeline.count_in_ticks)} clicks, music from {music}",
        "tempos "
        + ", ".join(
            f"{point.us_per_quarter} us at {at(timeline, point.tick)}" for point in clock.tempos
        ),
        "levels "
        + ", ".join(
            f"{point.level:g}{' >' if point.ramps else ''} at {at(timeline, point.tick)}"
            for point in timeline.dynamics
        ),
    ]
    lines += [f"stop-time {at(timeline, a)} to {at(timeline, b)}" for a, b in timeline.stops]
    lines += [f"{mark.text} at {at(timeline, mark.tick)}" for mark in timeline.tempo_marks]
    for section in timeline.sections:
        lines.append("")
        lines.append(
            f"[{section.label}] {section.dynamic}, pass {section.repeat_pass}, "
            f"chorus {section.chorus}"
        )
        for bar in timeline.bars[section.first_bar : section.last_bar + 1]:
            lines.append(bar_line(timeline, bar))
    return "\n".join(lines) + "\n"


def bar_line(timeline: Timeline, bar: TimelineBar) -> str:
    chords = [
        chord
        for chord in timeline.chords
        if chord.start_tick < bar.end_tick and chord.end_tick > bar.start_tick
    ]
    words = " ".join(chord_word(chord, bar) for chord in chords)
    seconds = timeline.clock.seconds(bar.start_tick)
    end = " ." if bar.ends_phrase else ""
    return (
        f"{bar.number:3} = written {bar.written}, pass {bar.repeat_pass} | "
        f"{bar.meter} {bar.key.name} | {bar.start_tick} {seconds:.3f} s | {words}{end}"
    )


def chord_word(chord: TimelineChord, bar: TimelineBar) -> str:
    name = chord.chord.symbol if chord.chord else chord.kind
    if chord.start_tick < bar.start_tick:
        return f"~{name}"
    early = chord.start_tick - chord.sounds_tick
    word = f"{name}@{chord.beat:g}" + (f"-{early}" if early else "")
    return f"{word} {chord.articulation}".rstrip()


def at(timeline: Timeline, tick: int) -> str:
    return f"tick {tick} ({timeline.clock.seconds(tick):.3f} s)"


def failure(path: Path) -> str:
    with pytest.raises(ChartError) as caught:
        build_timeline(read_chart(path, STYLES))
    return str(caught.value).replace(str(path), path.name) + "\n"


def test_the_corpora_are_there():
    assert len(VALID) >= 40
    assert len(INVALID) >= 60


@pytest.mark.parametrize("path", VALID, ids=by_name)
def test_bars_are_played_in_the_order_worked_out_by_hand(path: Path):
    match = re.search(r"; plays: ([\d ]+)", path.read_text(encoding="utf-8-sig"))
    assert match is not None
    assert [bar.written for bar in unfolded(path).bars] == list(map(int, match[1].split()))


@pytest.mark.parametrize("path", VALID, ids=by_name)
def test_the_unfolded_bars_are_those_beside_the_chart(path: Path):
    assert described(unfolded(path)) == path.with_suffix(".bars.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", VALID, ids=by_name)
def test_printing_a_chart_keeps_everything(path: Path):
    chart = read_chart(path)
    printed = format_chart(chart)
    assert parse_chart(printed, chart.source_name) == chart
    assert format_chart(parse_chart(printed, chart.source_name)) == printed


@pytest.mark.parametrize("path", INVALID, ids=by_name)
def test_problems_stand_where_a_reader_finds_them(path: Path):
    match = re.search(rb"; faults: ([\d: ]+)", path.read_bytes())
    assert match is not None
    with pytest.raises(ChartError) as caught:
        read_chart(path, STYLES)
    places = [f"{problem.line}:{problem.column}" for problem in caught.value.problems]
    assert places == match[1].decode().split()


@pytest.mark.parametrize("path", INVALID, ids=by_name)
def test_the_whole_message_is_the_one_beside_the_chart(path: Path):
    assert failure(path) == path.with_suffix(".message.txt").read_text(encoding="utf-8")


REAL = ("blues-in-bb", "greensleeves", "lamplight-errand", "scarborough-fair")


@pytest.mark.parametrize("name", REAL)
@pytest.mark.parametrize("semitones", range(12))
def test_real_charts_play_in_every_key(name: str, semitones: int):
    chart = read_chart(FOLDER / "valid" / f"{name}.chart")
    key = key_after_semitones(chart.key, semitones)
    moved = build_timeline(transpose_chart(chart, key))
    assert moved.key == key
    for before, after in zip(build_timeline(chart).chords, moved.chords, strict=True):
        assert before.start_tick == after.start_tick
        if before.chord is not None and after.chord is not None:
            distance = after.chord.root.pitch_class - before.chord.root.pitch_class
            assert distance % 12 == semitones


def write() -> None:
    for path in VALID:
        path.with_suffix(".bars.txt").write_text(described(unfolded(path)), encoding="utf-8")
    for path in INVALID:
        path.with_suffix(".message.txt").write_text(failure(path), encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("give --write to rewrite the expected files")
    write()
