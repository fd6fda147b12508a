"""`.lab` files: start, end and chord label in the syntax of Harte et al. 2005, one line a chord."""

import math
from fractions import Fraction

from generator.chart.meter import Meter
from generator.chordmap.importer.sheet import Sheet
from generator.chordmap.importer.times import (
    Label,
    bars_on_grid,
    even_grid,
    guess_quarter_bpm,
)
from generator.errors import ImportFileError

__all__ = ["labels_sheet", "read"]


def read(content: bytes, name: str, *, quarter_bpm: Fraction | None, meter: Meter | None) -> Sheet:
    """Read a `.lab` file."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ImportFileError(f"not text at byte {error.start}") from error
    remarks: list[str] = []
    labels = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split()
        if not words:
            continue
        label = _label(words, f"line {number}")
        if label is None:
            remarks.append(f"line {number}: not `start end label` in seconds: {line[:60]!r}")
        else:
            labels.append(label)
    return labels_sheet(labels, name, remarks, quarter_bpm=quarter_bpm, meter=meter)


def labels_sheet(
    labels: list[Label],
    name: str,
    remarks: list[str],
    *,
    quarter_bpm: Fraction | None,
    meter: Meter | None,
    title: str = "",
    composer: str = "",
    key: str | None = None,
) -> Sheet:
    """Make a sheet of labels without beats, on an even grid."""
    labels = sorted(labels, key=lambda label: label.start_s)
    if len(labels) > 1 and labels[0].label == "N" and labels[0].start_s <= 0:
        remarks.append(f"{labels[0].place}: N until {labels[0].end_s:g} s taken as the count-in")
        labels = labels[1:]
    if not labels:
        raise ImportFileError("no line with a start, an end and a chord label")
    grid_meter = meter or Meter(4, 4)
    if quarter_bpm is None:
        quarter_bpm = guess_quarter_bpm(labels)
        remarks.append(f"no beats in the file: q={float(quarter_bpm):g} guessed from the chords")
    if meter is None:
        remarks.append("no meter in the file: 4/4 assumed")
    grid = even_grid(labels[0].start_s, labels[-1].end_s, quarter_bpm, grid_meter)
    bars = bars_on_grid(labels, grid, remarks)
    return Sheet(title or name, composer, key, quarter_bpm, bars, tuple(remarks))


def _label(words: list[str], place: str) -> Label | None:
    if len(words) != 3:
        return None
    try:
        start_s, end_s = float(words[0]), float(words[1])
    except ValueError:
        return None
    if not (math.isfinite(start_s) and math.isfinite(end_s) and 0 <= start_s < end_s):
        return None
    return Label(start_s, end_s, words[2], place)
