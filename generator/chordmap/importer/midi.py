"""MIDI files with chord text: text or lyric events that read as chord symbols.

Markers are sections; they are read as chords only in a file that has no other chord text.
"""

import io
from bisect import bisect_right
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from generator.chart.meter import Meter
from generator.chordmap.importer.sheet import Sheet, SheetBar, SheetChord, grouped, tempo
from generator.errors import ChordError, ImportFileError, KeyNameError
from generator.harmony.chord import parse_chord
from generator.harmony.key import parse_key

__all__ = ["read"]

_SILENCE = {"rest", "r", "(rest)"}
_NO_CHORD = {"n.c.", "nc", "n.c", "n"}


@dataclass(slots=True)
class _Found:
    """What the tracks hold, at ticks."""

    chords: list[tuple[int, str]] = field(default_factory=list)
    markers: list[tuple[int, str]] = field(default_factory=list)
    tempos: list[tuple[int, float]] = field(default_factory=list)
    meters: list[tuple[int, Meter]] = field(default_factory=list)
    keys: list[tuple[int, str]] = field(default_factory=list)
    title: str = ""
    end: int = 0
    notes: int = 0


def read(content: bytes, name: str, *, quarter_bpm: Fraction | None, meter: Meter | None) -> Sheet:
    """Read a MIDI file; `quarter_bpm` and `meter` stand in where it has none."""
    import mido

    try:
        file = mido.MidiFile(file=io.BytesIO(content))
    except Exception as error:  # of many kinds: mido names no common one for damaged files
        raise ImportFileError(f"not a MIDI file: {error}") from error
    if file.ticks_per_beat <= 0:
        raise ImportFileError("the file counts in film frames, not in beats")
    remarks: list[str] = []
    found = _collect(file, remarks)
    if not found.chords:  # some programs put their chords into the markers
        symbols = [(tick, _symbol(text)) for tick, text in found.markers]
        found.chords = [(tick, symbol) for tick, symbol in symbols if symbol]
        found.markers = [
            m for m, (_, symbol) in zip(found.markers, symbols, strict=True) if not symbol
        ]
    if not found.chords:
        raise ImportFileError(
            "no chord text: no text, lyric or marker event reads as a chord symbol"
        )
    if found.notes:
        what = "1 note is" if found.notes == 1 else f"{found.notes} notes are"
        remarks.append(f"{what} not carried over: a chart holds chords")
    found.meters = found.meters or [(0, meter or Meter(4, 4))]
    found.tempos = found.tempos or [(0, float(quarter_bpm or 120))]
    start = min([found.chords[0][0], *(tick for tick, _ in found.markers)])
    return _sheet(found, start, file.ticks_per_beat, name, remarks)


def _collect(file: Any, remarks: list[str]) -> _Found:
    found = _Found()
    for number, track in enumerate(file.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity:
                found.notes += 1
            elif message.is_meta:
                _take(message, tick, number, found, remarks)
        found.end = max(found.end, tick)
    for events in (found.chords, found.markers, found.tempos, found.meters, found.keys):
        events.sort(key=lambda event: event[0])
    return found


def _take(message: Any, tick: int, track: int, found: _Found, remarks: list[str]) -> None:
    place = f"track {track}, tick {tick}"
    if message.type == "set_tempo":
        found.tempos.append((tick, 60e6 / message.tempo))
    elif message.type == "time_signature":
        found.meters.append((tick, Meter(message.numerator, message.denominator)))
    elif message.type == "key_signature":
        try:
            found.keys.append((tick, parse_key(message.key).name))
        except KeyNameError as error:
            remarks.append(f"{place}: {error}")
    elif message.type == "track_name" and track == 0:
        found.title = message.name
    elif message.type in ("text", "lyrics", "marker", "cue_marker"):
        text = message.text.strip()
        symbol = _symbol(text)
        if symbol is not None and message.type != "marker":
            found.chords.append((tick, symbol))
        elif text.lower() == "count-in":
            pass
        elif message.type in ("marker", "cue_marker"):
            found.markers.append((tick, text))
        elif text:
            remarks.append(f"{place}: {text[:40]!r} is no chord symbol; not carried over")


def _symbol(text: str) -> str | None:
    if text.lower() in _SILENCE:
        return "r"
    if text.lower() in _NO_CHORD:
        return "N.C."
    try:
        return parse_chord(text).symbol
    except ChordError:
        return None


def _sheet(found: _Found, start: int, per_quarter: int, name: str, remarks: list[str]) -> Sheet:
    edges = _likelier_edges(found, start, per_quarter)
    starts = [edge[0] for edge in edges]
    chords: list[list[SheetChord]] = [[] for _ in edges]
    sections: dict[int, str] = {}
    directions: dict[int, list[str]] = {}
    for tick, symbol in found.chords:
        index = max(0, bisect_right(starts, tick) - 1)
        onset = Fraction(tick - starts[index], per_quarter)
        chords[index].append(SheetChord(onset, symbol, place=f"tick {tick}"))
    for tick, label in found.markers:
        index = max(0, bisect_right(starts, tick) - 1)
        if starts[index] != tick:
            remarks.append(f"tick {tick}: section {label!r} moved to the start of its bar")
        if index in sections:
            remarks.append(f"tick {tick}: a second section in the bar: {sections[index]!r} dropped")
        sections[index] = label
    first_tempo = _held(found.tempos, start, found.tempos[0][1])
    written = first_tempo
    for index, tick in enumerate(starts):
        now = _held(found.tempos, tick, written)
        if tempo(now) != tempo(written):
            directions.setdefault(index, []).append(f"q={float(tempo(now)):g}")
            written = now
    on_bars = set(starts)
    inside = [tick for tick, _ in found.tempos if tick > start and tick not in on_bars]
    if inside:
        ticks = ", ".join(map(str, inside))
        remarks.append(f"tempo inside a bar at tick {ticks}: only those at bar starts are kept")
    first_key = _held(found.keys, start, None)
    for tick, key in found.keys:
        if tick > start:
            index = max(0, bisect_right(starts, tick) - 1)
            directions.setdefault(index, []).append(f"Key: {key}")
    onsets: dict[Meter, list[Fraction]] = {}
    for (_, meter, length), held in zip(edges, chords, strict=True):
        if length == meter.bar_quarters:
            onsets.setdefault(meter, []).extend(chord.onset_quarters for chord in held)
    meters = {meter: grouped(meter, places) for meter, places in onsets.items()}
    bars = tuple(
        SheetBar(
            meters.get(meter, meter),
            tuple(chords[index]),
            length_quarters=length if length != meter.bar_quarters else None,
            section=sections.get(index),
            directions=tuple(directions.get(index, ())),
        )
        for index, (_, meter, length) in enumerate(edges)
    )
    return Sheet(found.title or name, "", first_key, tempo(first_tempo), bars, tuple(remarks))


_Edges = list[tuple[int, Meter, Fraction]]


def _likelier_edges(found: _Found, start: int, per_quarter: int) -> _Edges:
    """Return the bars from the first chord to the end, after a pickup if that fits better.

    The first chord may open a whole bar, or stand in a bar that the meter opened before it, as a
    pickup does that completes the count-in. The reading with more chords and sections on bar
    lines wins.
    """
    at, meter = next((event for event in found.meters[::-1] if event[0] <= start), found.meters[0])
    bar_ticks = round(meter.bar_quarters * per_quarter)
    whole = start + bar_ticks
    readings = [
        _bar_edges(found, start, per_quarter, line)
        for line in (whole, whole - (start - at) % bar_ticks)
    ]
    events = {tick for tick, _ in (*found.chords, *found.markers)}
    return max(readings, key=lambda edges: len(events.intersection(edge[0] for edge in edges)))


def _bar_edges(found: _Found, start: int, per_quarter: int, first_line: int) -> _Edges:
    """Return start tick, meter and length of each bar; the first ends at `first_line` at most."""
    changes = [(tick, meter) for tick, meter in found.meters if tick > start]
    meter = _held(found.meters, start, found.meters[0][1])
    last = max(found.end, found.chords[-1][0] + 1)
    edges: _Edges = []
    tick = start
    while tick < last:
        while changes and changes[0][0] <= tick:
            meter = changes.pop(0)[1]
        length = meter.bar_quarters
        end = tick + round(length * per_quarter)
        cut = min([first_line, *(change for change, _ in changes[:1])])
        if not edges and cut < end:  # a pickup
            end = cut
            length = Fraction(end - tick, per_quarter)
        edges.append((tick, meter, length))
        tick = end
    return edges


def _held(events: list[tuple[int, Any]], tick: int, default: Any) -> Any:
    before = [value for at, value in events if at <= tick]
    return before[-1] if before else default
