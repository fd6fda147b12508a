"""From chords in seconds to bars: labels on a grid of beats, known or guessed."""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from generator.chart.meter import Meter
from generator.chordmap.importer.sheet import SheetBar, SheetChord
from generator.errors import ChordError, ImportFileError
from generator.harmony.harte import parse_harte
from generator.record import record

__all__ = ["GridBar", "Label", "bars_on_grid", "even_grid", "guess_quarter_bpm", "symbol_of"]

_TOLERANCE_S = 0.03
_USUAL_BPM = 110


@record
class Label:
    """A chord label and when it holds; `place` says where it stood in the file."""

    start_s: float
    end_s: float
    label: str
    place: str


@record
class GridBar:
    """One bar of the grid: moments with their positions in quarters, first and end included."""

    meter: Meter
    points: tuple[tuple[Fraction, float], ...]
    is_pickup: bool = False

    @property
    def start_s(self) -> float:
        """Start of the bar."""
        return self.points[0][1]

    @property
    def end_s(self) -> float:
        """End of the bar."""
        return self.points[-1][1]

    @property
    def length_quarters(self) -> Fraction:
        """Length of the bar."""
        return self.points[-1][0]

    @property
    def quarter_bpm(self) -> float:
        """Mean tempo of the bar."""
        return 60 * float(self.length_quarters) / (self.end_s - self.start_s)

    def position(self, time_s: float) -> Fraction:
        """Return how many quarters into the bar a moment lies."""
        for (low, low_s), (high, high_s) in pairwise(self.points):
            if time_s < high_s:
                share = max(0.0, (time_s - low_s) / (high_s - low_s))
                return low + Fraction(share).limit_denominator(100_000) * (high - low)
        return self.length_quarters


def symbol_of(label: Label, remarks: list[str]) -> str:
    """Return the chord symbol of a label in Harte's syntax; `N.C.` with a remark if unreadable."""
    try:
        chord = parse_harte(label.label)
    except ChordError as error:
        remarks.append(f"{label.place}: {error}; N.C. written in its place")
        return "N.C."
    return chord.symbol if chord else "N.C."


def even_grid(
    start_s: float, end_s: float, quarter_bpm: Fraction, meter: Meter
) -> tuple[GridBar, ...]:
    """Return bars of one meter at one tempo that cover a stretch."""
    quarter_s = 60 / float(quarter_bpm)
    bar_s = float(meter.bar_quarters) * quarter_s
    count = max(1, math.ceil((end_s - start_s) / bar_s - 0.05))
    return tuple(
        GridBar(
            meter,
            (
                (Fraction(0), start_s + i * bar_s),
                (meter.bar_quarters, start_s + (i + 1) * bar_s),
            ),
        )
        for i in range(count)
    )


def guess_quarter_bpm(labels: Sequence[Label]) -> Fraction:
    """Return the tempo nearest to 110 at which every chord starts on a beat.

    Among 40 to 240 quarters a minute that make the stretch a whole number of beats; if none puts
    all chords within a twentieth of a beat, the one that comes closest.
    """
    start_s, end_s = labels[0].start_s, labels[-1].end_s
    onsets = [label.start_s - start_s for label in labels]
    length_s = end_s - start_s
    best: tuple[float, float] | None = None
    chosen = Fraction(120)
    for beats in range(max(1, math.ceil(length_s * 40 / 60)), int(length_s * 240 / 60) + 1):
        beat_s = length_s / beats
        error = max(abs(onset / beat_s - round(onset / beat_s)) for onset in onsets)
        rank = (0.0 if error <= 0.05 else error, abs(math.log(60 / beat_s / _USUAL_BPM)))
        if best is None or rank < best:
            best = rank
            chosen = Fraction(str(round(60 / beat_s, 3)))
    return chosen


def bars_on_grid(
    labels: Sequence[Label], grid: Sequence[GridBar], remarks: list[str]
) -> tuple[SheetBar, ...]:
    """Return the bars of a sheet, each label at its position.

    Silence before the first bar is the count-in and goes without a remark. A stretch without a
    label becomes `N.C.`.

    Raises
    ------
    ImportFileError
        If no label lies inside the grid.
    """
    starts = [bar.start_s for bar in grid]
    chords: list[list[SheetChord]] = [[] for _ in grid]
    reached_s = grid[0].start_s
    for label in labels:
        if label.end_s <= grid[0].start_s + _TOLERANCE_S:
            if label.label != "N":
                remarks.append(f"{label.place}: {label.label} ends before the first beat; dropped")
            continue
        if label.start_s >= grid[-1].end_s - _TOLERANCE_S:
            if label.label != "N":
                remarks.append(f"{label.place}: {label.label} starts after the last beat; dropped")
            continue
        if label.start_s > reached_s + _TOLERANCE_S:
            _put(chords, grid, starts, reached_s, "N.C.", label.place)
        at_s = max(label.start_s, grid[0].start_s)
        _put(chords, grid, starts, at_s, symbol_of(label, remarks), label.place)
        reached_s = label.end_s
    if not any(chords):
        raise ImportFileError("no chord lies on its beats")
    if reached_s < grid[-1].end_s - _TOLERANCE_S:
        _put(chords, grid, starts, reached_s, "N.C.", "the end")
    return tuple(
        SheetBar(
            bar.meter,
            tuple(found),
            length_quarters=bar.length_quarters if bar.is_pickup else None,
        )
        for bar, found in zip(grid, chords, strict=True)
    )


def _put(
    chords: list[list[SheetChord]],
    grid: Sequence[GridBar],
    starts: list[float],
    time_s: float,
    symbol: str,
    place: str,
) -> None:
    index = max(0, bisect_right(starts, time_s) - 1)
    chord = SheetChord(grid[index].position(time_s), symbol, place=place)
    before = chords[index][-1] if chords[index] else None
    if before is not None and before.onset_quarters == chord.onset_quarters:
        chords[index][-1] = replace(chord)
    else:
        chords[index].append(chord)
