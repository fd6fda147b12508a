"""JAMS files: chords on beats; the first annotation of each namespace is read."""

import json
import math
from bisect import bisect_right
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

from generator.chart.meter import Meter
from generator.chordmap.importer.lab import labels_sheet
from generator.chordmap.importer.sheet import Sheet, SheetBar, tempo
from generator.chordmap.importer.times import GridBar, Label, bars_on_grid
from generator.errors import ImportFileError, KeyNameError
from generator.harmony.key import parse_key

__all__ = ["read"]

_CHORDS = ("chord", "chord_harte")
_BEATS = ("beat_position", "beat")
_SECTIONS = ("segment_open",)
_KEYS = ("key_mode",)
_READ = {*_CHORDS, *_BEATS, *_SECTIONS, *_KEYS, "tempo"}
_TEMPO_STEP = 0.005

Row = tuple[float, float, Any]


def read(content: bytes, name: str, *, quarter_bpm: Fraction | None, meter: Meter | None) -> Sheet:
    """Read a JAMS file."""
    try:
        jams = json.loads(content)
        annotations = [entry for entry in jams["annotations"] if isinstance(entry, dict)]
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise ImportFileError(f"not a JAMS file: {error}") from error
    remarks = [
        f"annotations[{i}]: namespace {entry.get('namespace')!r} is not carried over"
        for i, entry in enumerate(annotations)
        if entry.get("namespace") not in _READ
    ]
    about = jams.get("file_metadata") or {}
    title, composer = str(about.get("title") or name), str(about.get("artist") or "")
    labels = [
        Label(time_s, time_s + lasts_s, str(value), f"chord at {time_s:g} s")
        for time_s, lasts_s, value in _rows(annotations, _CHORDS, remarks)
        if lasts_s > 0
    ]
    if not labels:
        raise ImportFileError("no annotation in the namespace chord")
    keys = [
        (time_s, _key(value, time_s, remarks))
        for time_s, _, value in _rows(annotations, _KEYS, remarks)
    ]
    key = next((name for _, name in keys if name), None)
    grid = _grid(_rows(annotations, _BEATS, remarks), meter)
    if not grid:
        return labels_sheet(
            labels,
            name,
            remarks,
            quarter_bpm=quarter_bpm,
            meter=meter,
            title=title,
            composer=composer,
            key=key,
        )
    bars = list(bars_on_grid(labels, grid, remarks))
    starts = [bar.start_s for bar in grid]
    for time_s, _, value in _rows(annotations, _SECTIONS, remarks):
        index = _bar_index(starts, time_s)
        if str(value).strip():
            bars[index] = replace(bars[index], section=str(value))
    for time_s, changed in keys[1:]:
        index = _bar_index(starts, time_s)
        if changed and index:
            words = (*bars[index].directions, f"Key: {changed}")
            bars[index] = replace(bars[index], directions=words)
    first = tempo(grid[0].quarter_bpm)
    return Sheet(title, composer, key, first, _with_tempos(bars, grid), tuple(remarks))


def _rows(annotations: list[Any], namespaces: tuple[str, ...], remarks: list[str]) -> list[Row]:
    """Return (time, duration, value) of the first annotation in one of the namespaces."""
    for namespace in namespaces:
        found = [entry for entry in annotations if entry.get("namespace") == namespace]
        if not found:
            continue
        rows: list[Row] = []
        for i, row in enumerate(found[0].get("data") or ()):
            try:
                time_s, lasts_s = float(row["time"]), float(row.get("duration") or 0)
                value = row["value"]
            except (KeyError, TypeError, ValueError, AttributeError):
                remarks.append(f"{namespace} {i}: no time and value; dropped")
                continue
            if math.isfinite(time_s) and math.isfinite(lasts_s):
                rows.append((time_s, lasts_s, value))
            else:
                remarks.append(f"{namespace} {i}: time is no number; dropped")
        if len(found) > 1:
            text = f"{namespace}: the first of {len(found)} annotations is read"
            if text not in remarks:
                remarks.append(text)
        return sorted(rows, key=lambda row: row[0])
    return []


def _key(value: object, time_s: float, remarks: list[str]) -> str | None:
    try:
        return parse_key(str(value).replace(":", " ")).name
    except KeyNameError as error:
        remarks.append(f"key at {time_s:g} s: {error}")
        return None


def _bar_index(starts: list[float], time_s: float) -> int:
    return max(0, bisect_right(starts, time_s + 0.01) - 1)


def _grid(rows: list[Row], meter: Meter | None) -> list[GridBar]:
    """Group beats into bars where the position falls back to its first value."""
    beats = [(time_s, *_position(value, meter)) for time_s, _, value in rows]
    if len(beats) < 2:
        return []
    bars: list[list[tuple[float, float, int, int]]] = []
    for beat in beats:
        if not bars or beat[1] <= bars[-1][-1][1]:
            bars.append([])
        bars[-1].append(beat)
    grid = []
    for i, bar in enumerate(bars):
        units, unit = bar[0][2], bar[0][3]
        if not units:  # beats without a count of the bar: quarters, as many as the longest has
            units, unit = max(len(other) for other in bars), 4
        after_s = bars[i + 1][0][0] if i + 1 < len(bars) else None
        grid.append(_grid_bar(bar, units, unit, after_s, is_first=i == 0))
    return grid


def _position(value: object, meter: Meter | None) -> tuple[float, int, int]:
    """Return position, units in the bar (0 if unknown) and unit of one beat."""
    if isinstance(value, dict):
        try:
            return float(value["position"]), int(value["num_beats"]), int(value["beat_units"])
        except (KeyError, TypeError, ValueError) as error:
            raise ImportFileError(f"beat_position: {value!r} has no position") from error
    if isinstance(value, int | float):
        return float(value), 0, 4
    raise ImportFileError("beats without positions do not tell where bars start")


def _grid_bar(
    beats: list[tuple[float, float, int, int]],
    units: int,
    unit: int,
    after_s: float | None,
    *,
    is_first: bool,
) -> GridBar:
    positions = [Fraction(position).limit_denominator(64) - 1 for _, position, _, _ in beats]
    groups = tuple(int(b - a) for a, b in pairwise([*positions, Fraction(units)]))
    meter = Meter(units, unit)
    if not is_first or positions[0] == 0:
        grouped = Meter(units, unit, groups)
        if set(groups) != {1} and grouped.beat_lengths != meter.beat_lengths:
            meter = grouped
    first = positions[0] if is_first else Fraction(0)
    quarters = [(position - first) * Fraction(4, unit) for position in positions]
    end = (units - first) * Fraction(4, unit)
    if after_s is None:  # the last bar: its last beat lasts as long as the one before
        pace = (beats[-1][0] - beats[0][0]) / float(quarters[-1] or 1) if len(beats) > 1 else 0.5
        after_s = beats[-1][0] + pace * float(end - quarters[-1])
    points = tuple((q, beat[0]) for q, beat in zip(quarters, beats, strict=True))
    return GridBar(meter, (*points, (end, after_s)), is_pickup=is_first and first > 0)


def _with_tempos(bars: list[SheetBar], grid: list[GridBar]) -> tuple[SheetBar, ...]:
    """Write a tempo where it differs from the one before by more than half a percent."""
    written = grid[0].quarter_bpm
    found = []
    for bar, place in zip(bars, grid, strict=True):
        if abs(place.quarter_bpm / written - 1) > _TEMPO_STEP:
            written = place.quarter_bpm
            mark = f"q={float(tempo(written)):g}"
            found.append(replace(bar, directions=(*bar.directions, mark)))
        else:
            found.append(bar)
    return tuple(found)
