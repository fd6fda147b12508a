"""From chart text to the bytes of a MIDI file, against pretty_midi writing the same notes.

    python -m tests.bench.bench_midi

A ratio of times without the imports, medians of pairs, each pair in a process of its own, so that
nothing is remembered from the last one: ours reads, unfolds and arranges a chart of 200 bars and
writes the file; theirs only writes the notes that came out of it.
"""

import io
import statistics
import subprocess
import sys
import time

import pretty_midi

from generator.chart.parser import parse_chart
from generator.midi import midi_bytes
from generator.pipeline.options import RenderOptions
from generator.pipeline.prepare import prepare

__all__ = ["HEAD", "midi_row"]

HEAD = (
    "| work | against | ours ms | theirs ms | ratio | target | met |\n|---|---|---|---|---|---|---|"
)
TARGET = 6.0
STYLE = "straight-eighth-rock"

EIGHT_BARS = "| Am7 | D9 | Gmaj7 / Em7 | Em7 | F#m7b5 | B7b9 | Em9 | <E7#9 |\n"
TEXT = "Title: Two Hundred Bars\nKey: Em\nTime: 4/4\nTempo: q=112\n" + "".join(
    f"[S{i}] {('p', 'mf', 'f', 'mf', 'ff')[i % 5]}\n{EIGHT_BARS.replace(' / Em7', ' Em7')}"
    for i in range(25)
)


def ours() -> bytes:
    """Write the chart as MIDI."""
    track = prepare(parse_chart(TEXT, "bench"), RenderOptions(style=STYLE))
    return midi_bytes(track.arrangement, track.timeline)


def their_notes(data: bytes) -> list[tuple[str, int, bool, list[tuple[int, int, float, float]]]]:
    """Read our notes as plain numbers, so that only the writing is timed."""
    midi = pretty_midi.PrettyMIDI(io.BytesIO(data))
    return [
        (i.name, i.program, i.is_drum, [(n.velocity, n.pitch, n.start, n.end) for n in i.notes])
        for i in midi.instruments
    ]


def theirs(parts: list[tuple[str, int, bool, list[tuple[int, int, float, float]]]]) -> bytes:
    """Write the notes with pretty_midi."""
    midi = pretty_midi.PrettyMIDI(resolution=960, initial_tempo=112)
    for name, program, is_drum, notes in parts:
        instrument = pretty_midi.Instrument(program, is_drum, name)
        instrument.notes = [pretty_midi.Note(*note) for note in notes]
        midi.instruments.append(instrument)
    buffer = io.BytesIO()
    midi.write(buffer)
    return buffer.getvalue()


def one_pair() -> tuple[float, float, int]:
    """Time ours, the first time in this process, then theirs; seconds, and how many notes."""
    start = time.perf_counter()
    data = ours()
    mine_s = time.perf_counter() - start
    parts = their_notes(data)
    start = time.perf_counter()
    theirs(parts)
    return mine_s, time.perf_counter() - start, sum(len(notes) for *_, notes in parts)


def midi_row(pairs: int = 7) -> str:
    """Return the Markdown row of the table `HEAD`; each pair is measured in a new process."""
    mine, other, count = [], [], 0
    for _ in range(pairs):
        command = [sys.executable, "-m", "tests.bench.bench_midi", "--pair"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        first, second, notes = done.stdout.split()
        mine.append(float(first))
        other.append(float(second))
        count = int(notes)
    ratio = statistics.median(a / b for a, b in zip(mine, other, strict=True))
    return (
        f"| chart of 200 bars to MIDI, {count} notes | pretty_midi writing the same notes "
        f"| {1000 * statistics.median(mine):.0f} | {1000 * statistics.median(other):.0f} "
        f"| {ratio:.2f} | {TARGET:g} | {'yes' if ratio <= TARGET else 'no'} |"
    )


if __name__ == "__main__":
    if "--pair" in sys.argv:
        print(*one_pair())
    else:
        print(HEAD)
        print(midi_row())
