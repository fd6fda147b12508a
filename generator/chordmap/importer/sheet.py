"""A lead sheet as an importer finds it, and the chart text that says the same.

Chart text puts one chord on one beat. A chord that starts an eighth or a sixteenth before a beat
becomes a push to it; any other place between beats moves to the nearest beat, and is reported.
"""

import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from generator.chart.layout import pickup_beats
from generator.chart.meter import Meter
from generator.record import record

__all__ = ["Sheet", "SheetBar", "SheetChord", "chart_text"]

_BARS_A_LINE = 4
_MAX_NAME = 40
_MAX_GROUPED = 17
_NEAR_QUARTERS = Fraction(1, 16)
_PUSHES = ((Fraction(1, 2), "<"), (Fraction(1, 4), "<<"))


@record
class SheetChord:
    """A chord symbol, `N.C.`, or `r` (silence), and how far into the bar it starts.

    `articulation` is the sign of the chart ("^", "<>", "(.)"); `place` says where it stood.
    """

    onset_quarters: Fraction
    symbol: str
    articulation: str = ""
    place: str = ""


@record
class SheetBar:
    """One bar as found; `length_quarters` is set for a pickup only."""

    meter: Meter
    chords: tuple[SheetChord, ...]
    length_quarters: Fraction | None = None
    section: str | None = None
    dynamic: str | None = None
    directions: tuple[str, ...] = ()
    closing_directions: tuple[str, ...] = ()
    repeat_opens: bool = False
    ending: tuple[int, ...] = ()
    closes_repeat: bool = False
    times: int = 2


@record
class Sheet:
    """All that an importer found, and remarks on what it could not carry over.

    `key` is None when the file names none.
    """

    title: str
    composer: str
    key: str | None
    quarter_bpm: Fraction
    bars: tuple[SheetBar, ...]
    remarks: tuple[str, ...] = field(default=())


@dataclass(slots=True)
class _Cell:
    """One beat of the chart: what starts there, or None when the chord before goes on."""

    bar: int
    onset: Fraction
    length: Fraction
    text: str | None = None
    symbol: str = ""
    place: str = ""


def chart_text(sheet: Sheet) -> tuple[str, tuple[str, ...]]:
    """Return the chart text, and every remark."""
    remarks = list(sheet.remarks)
    cells = _cells(sheet.bars)
    _place_chords(sheet.bars, cells, remarks)
    if cells and cells[0].text is None:
        cells[0].text = cells[0].symbol = "N.C."
    lines = [
        f"Title: {_head(sheet.title) or 'Untitled'}",
        *([f"Composer: {_head(sheet.composer)}"] if _head(sheet.composer) else []),
        f"Key: {sheet.key or 'C major'}",
        f"Time: {sheet.bars[0].meter}",
        f"Tempo: q={_number(sheet.quarter_bpm)}",
    ]
    if sheet.bars[0].length_quarters is not None:
        lines.append(f"Pickup: {_pickup(sheet.bars[0])}")
    lines += _music(sheet.bars, cells)
    if sheet.key is None:
        remarks.append("no key in the file: C major assumed")
    for name, text in (("title", sheet.title), ("composer", sheet.composer)):
        if _head(text) != text:
            remarks.append(f"{name} {text!r}: written as {_head(text)!r}, which a chart can hold")
    notes = [f"; import: {_head(remark)}" for remark in remarks]
    return "\n".join([*lines, *notes]) + "\n", tuple(remarks)


def _cells(bars: tuple[SheetBar, ...]) -> list[_Cell]:
    """Every beat of the sheet, at its onset in quarters from the start."""
    cells, start = [], Fraction(0)
    for index, bar in enumerate(bars):
        onsets, lengths = bar.meter.beat_onsets, bar.meter.beat_lengths
        if bar.length_quarters is not None:
            onsets, lengths = pickup_beats(bar.meter, Fraction(_pickup(bar)))
        for onset, length in zip(onsets, lengths, strict=True):
            cells.append(_Cell(index, start + onset, length))
        start += sum(lengths)
    return cells


def _pickup(bar: SheetBar) -> Fraction:
    """Beats of a pickup bar: its length, counted in beats from the end of a whole bar."""
    left, beats = bar.length_quarters or Fraction(0), Fraction(0)
    for length in reversed(bar.meter.beat_lengths):
        taken = min(left, length)
        beats += taken / length
        left -= taken
    return beats


def _place_chords(bars: tuple[SheetBar, ...], cells: list[_Cell], remarks: list[str]) -> None:
    onsets = [cell.onset for cell in cells]
    starts: dict[int, Fraction] = {}
    for cell in cells:
        starts.setdefault(cell.bar, cell.onset)
    for index, bar in enumerate(bars):
        for chord in bar.chords:
            at = starts[index] + chord.onset_quarters
            place = chord.place or f"bar {index + 1}"
            cell, push = _beat_for(at, cells, onsets)
            if not push and abs(cell.onset - at) > _NEAR_QUARTERS:
                remarks.append(
                    f"{place}: {chord.symbol} starts {_number(chord.onset_quarters)} quarters into "
                    f"its bar, between beats; moved to the nearest beat"
                )
            if cell.text is not None:
                remarks.append(
                    f"{cell.place or place}: {cell.symbol} lasts less than a beat; dropped"
                )
            sign = push if chord.symbol != "r" else ""
            cell.text = f"{sign}{chord.symbol}{chord.articulation}"
            cell.symbol, cell.place = chord.symbol, place


def _beat_for(at: Fraction, cells: list[_Cell], onsets: list[Fraction]) -> tuple[_Cell, str]:
    """Return the beat that a chord at `at` belongs to, and the sign of its push."""
    after = min(bisect_left(onsets, at), len(cells) - 1)
    before = max(0, after - 1)
    if abs(onsets[after] - at) <= _NEAR_QUARTERS:
        return cells[after], ""
    if abs(onsets[before] - at) <= _NEAR_QUARTERS:
        return cells[before], ""
    early = onsets[after] - at
    for quarters, sign in _PUSHES:
        if abs(early - quarters) <= _NEAR_QUARTERS and quarters < cells[before].length and after:
            return cells[after], sign
    nearest = min(before, after, key=lambda i: abs(onsets[i] - at))
    return cells[nearest], ""


def _music(bars: tuple[SheetBar, ...], cells: list[_Cell]) -> Iterator[str]:
    by_bar: list[list[_Cell]] = [[] for _ in bars]
    for cell in cells:
        by_bar[cell.bar].append(cell)
    line: list[str] = []
    silent = False
    for index, bar in enumerate(bars):
        new_section = bar.section is not None
        if line and (new_section or bar.repeat_opens or len(line) == _BARS_A_LINE):
            yield "".join(line)
            line = []
        if new_section:
            yield f"[{_section(bar.section or '')}] {bar.dynamic or 'mf'}"
        if not line:
            line.append("")
        opening = "" if line[0] else ("|: " if bar.repeat_opens else "| ")
        words = []
        if bar.ending:
            words.append(f"{','.join(map(str, bar.ending))}.")
        if index and bar.meter != bars[index - 1].meter:
            words.append(str(bar.meter))
        words += [f'"{text}"' for text in bar.directions]
        if bar.dynamic and not new_section:
            words.append(f'"{bar.dynamic}"')
        beats, silent = _beats(by_bar[index], silent=silent)
        words += beats
        words += [f'"{text}"' for text in bar.closing_directions]
        close = "|"
        if bar.closes_repeat:
            close = ":|" + (f" x{bar.times}" if bar.times != 2 else "")
        piece = f"{opening}{' '.join(words)} {close}"
        line = [piece] if not line[0] else [*line, f" {piece}"]
    if line and line[0]:
        yield "".join(line)


def _beats(cells: list[_Cell], *, silent: bool) -> tuple[list[str], bool]:
    """Write the beats of a bar; the short way where chords share it evenly."""
    texts = []
    for cell in cells:
        if cell.text is not None:
            silent = cell.symbol == "r"
        texts.append(cell.text or ("r" if silent else "/"))
    starts = [i for i, cell in enumerate(cells) if cell.text is not None]
    share, rest = divmod(len(cells), len(starts)) if starts else (0, 1)
    even = not rest and starts == list(range(0, len(cells), share))
    if even and "r" not in texts:
        return [texts[i] for i in starts], silent
    return texts, silent


def _head(text: str) -> str:
    """Text on one line, without the sign that starts a comment."""
    plain = "".join(c if c.isprintable() else " " for c in text).replace(";", ",")
    return " ".join(plain.split())


def _section(name: str) -> str:
    plain = re.sub(r"[\[\]]", "", _head(name)).strip()
    return plain[:_MAX_NAME].strip() or "Section"


def _number(value: Fraction | float) -> str:
    """Write a number with at most nine decimals.

    >>> _number(Fraction(98)), _number(Fraction(61, 2))
    ('98', '30.5')
    """
    return f"{float(value):.9f}".rstrip("0").rstrip(".")


def grouped(meter: Meter, onsets: Iterable[Fraction]) -> Meter:
    """Return an odd meter with the groups of twos and threes on which all chords start.

    The usual groups stay when they will do, or when no groups would.

    >>> str(grouped(Meter(7, 8), [Fraction(0), Fraction(1), Fraction(5, 2)]))
    '7/8 (2+3+2)'
    """
    wanted = set(onsets)
    if meter.groups or meter.denominator < 8 or wanted <= set(meter.beat_onsets):
        return meter
    for groups in _twos_and_threes(meter.numerator):
        candidate = Meter(meter.numerator, meter.denominator, groups)
        if wanted <= set(candidate.beat_onsets):
            return candidate
    return meter


def _twos_and_threes(units: int) -> Iterator[tuple[int, ...]]:
    if units == 0:
        yield ()
    for group in (2, 3):
        if units >= group and units <= _MAX_GROUPED:
            for rest in _twos_and_threes(units - group):
                yield (group, *rest)


def tempo(quarter_bpm: float) -> Fraction:
    """Return a tempo as a chart would write it: whole when it is within rounding of a whole.

    A MIDI file stores whole microseconds a quarter, so 98 comes back as 98.00004.

    >>> tempo(98.00004), tempo(97.5)
    (Fraction(98, 1), Fraction(195, 2))
    """
    for places in (0, 1, 2, 3):
        rounded = round(quarter_bpm, places)
        if abs(rounded - quarter_bpm) <= quarter_bpm * quarter_bpm / 60e6:
            return Fraction(str(rounded))
    return Fraction(str(round(quarter_bpm, 6)))
