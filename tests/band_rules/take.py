"""A take: what was written to disk for one chart, as the rules read it.

Times are ticks of the MIDI file; the chord map gives its bars and chords in ticks too, and the
sounding onset of a chord in seconds, which the tempos of the MIDI file turn into ticks.
"""

import json
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from band_rules.charts import Case, chart_text, style_facts
from band_rules.grid import StyleGrid
from band_rules.smf import Midi, MidiNote, read_midi

if TYPE_CHECKING:
    from generator.band.arrangement import Arrangement
    from generator.timeline.model import Timeline

__all__ = ["EARLY_MS", "STROKE_MS", "VOICES", "Bar", "Harmony", "Take", "play", "written"]

EARLY_MS = 16.0
"""A note belongs to a place on the grid when it sounds at most so far from it (rule 14, and 1)."""

STROKE_MS = 60.0
"""Notes of a chord on strings within this are one stroke of the hand."""

VOICES = {
    "kick": (35, 36),
    "snare": (37, 38, 39, 40),
    "hat": (42, 44, 46),
    "ride": (51, 53, 59),
    "tom": (41, 43, 45, 47, 48, 50),
    "crash": (49, 52, 55, 57),
}
"""Percussion keys of General MIDI 1 (MIDI Association 1991) by the hand or foot that plays them."""


@dataclass(frozen=True)
class Bar:
    """A bar of the map; `grid` are the ticks on which the style may place a note."""

    index: int
    start: int
    end: int
    beats: tuple[int, ...]
    section: int
    chorus: int
    written: int
    repeat_pass: int
    ends_phrase: bool
    ends_section: bool
    grid: tuple[float, ...]


@dataclass(frozen=True)
class Harmony:
    """A chord of the map as it sounds: from `start` until the next one is struck.

    `change` says that the chord is another one than before; `written` is its beat on paper.
    """

    kind: str
    symbol: str
    start: int
    end: int
    written: int
    bass: int
    tones: frozenset[int]
    degrees: dict[str, int]
    articulation: str
    change: bool
    section: str

    @property
    def pushed(self) -> bool:
        return self.start < self.written


class Take:
    """One written take."""

    def __init__(self, midi: bytes, chord_map: str, facts: dict, dynamic: str = "") -> None:
        self.midi: Midi = read_midi(midi)
        self.map = json.loads(chord_map)
        self.facts = facts
        self.dynamic = dynamic
        self.grid = StyleGrid(facts)
        self.bars = self._bars()
        self.chords = self._chords()
        self._bar_starts = [bar.start for bar in self.bars]
        self._chord_starts = [chord.start for chord in self.chords]

    def notes(self, part: str) -> tuple[MidiNote, ...]:
        track = self.midi.tracks.get(part)
        first = self.bars[0].start - self.reach(0)
        return tuple(n for n in track.notes if n.start >= first) if track else ()

    @cached_property
    def drums(self) -> tuple[MidiNote, ...]:
        return self.notes("drums")

    @cached_property
    def bass(self) -> tuple[MidiNote, ...]:
        return self.notes("bass")

    @cached_property
    def pad(self) -> tuple[MidiNote, ...]:
        return self.notes("pad")

    @cached_property
    def comp(self) -> tuple[MidiNote, ...]:
        return self.notes("comp")

    @property
    def changes_dynamics(self) -> bool:
        return any(s["dynamics"] != self.dynamic for s in self.map["sections"])

    def voice(self, name: str) -> list[MidiNote]:
        return [note for note in self.drums if note.pitch in VOICES[name]]

    def reach(self, tick: float) -> float:
        """Return `EARLY_MS` in ticks."""
        return EARLY_MS / self.midi.ms_per_tick(tick)

    def stroke(self, tick: float) -> float:
        """Return in ticks how long one stroke over the strings may take."""
        return STROKE_MS / self.midi.ms_per_tick(tick)

    def ms(self, start: float, end: float) -> float:
        return 1000 * (self.midi.seconds(end) - self.midi.seconds(start))

    def bar_at(self, tick: float) -> Bar:
        return self.bars[max(0, bisect_right(self._bar_starts, tick) - 1)]

    def chord_at(self, tick: float) -> Harmony:
        return self.chords[max(0, bisect_right(self._chord_starts, tick) - 1)]

    def place(self, tick: float) -> tuple[Bar, int, float]:
        """Return bar, index and tick of the place of the grid that a note is nearest to."""
        bar = self.bar_at(tick)
        i = bisect_left(bar.grid, tick)
        near = [k for k in (i - 1, i) if 0 <= k < len(bar.grid)]
        k = min(near, key=lambda k: abs(bar.grid[k] - tick))
        if k == len(bar.grid) - 1 and bar.index + 1 < len(self.bars):  # the next downbeat
            after = self.bars[bar.index + 1]
            return after, 0, after.grid[0]
        return bar, k, bar.grid[k]

    @cached_property
    def silences(self) -> list[tuple[float, float]]:
        """Stretches in which nothing at all may start: rests, and behind hits and stops."""
        found = []
        for chord in self.chords:
            if chord.kind == "rest":
                found.append((chord.start, chord.end))
            elif chord.articulation == "hit":
                found.append((chord.start + self.stroke(chord.start), chord.end))
            elif chord.section == "Stop" and chord.kind == "chord":
                strikes = [chord.start] + [
                    bar.start for bar in self.bars if chord.written < bar.start < chord.end
                ]
                ends = [*strikes[1:], chord.end]
                found += [(a + self.stroke(a), b) for a, b in zip(strikes, ends, strict=True)]
        return found

    def _bars(self) -> list[Bar]:
        rows, meters = self.map["bars"], self.map["meters"]
        bars: list[Bar] = []
        seen: dict[tuple[int, int], int] = {}
        for i, row in enumerate(rows):
            meter = [m for m in meters if m["tick"] <= row["start_tick"]][-1]
            start, end = row["start_tick"], row["end_tick"]
            onsets = [0.0]
            for length in meter["beat_quarters"]:
                onsets.append(onsets[-1] + length * self.midi.ticks_per_quarter)
            late = max(0.0, onsets[-1] - (end - start))  # a pickup is the end of a bar
            beats = tuple(round(start + at - late) for at in onsets[:-1] if at >= late)
            if not beats or beats[0] > start:  # a pickup that begins within a beat
                beats = (start, *beats)
            after = rows[i + 1] if i + 1 < len(rows) else None
            ends_section = after is None or after["section"] != row["section"]
            first = next(k for k, r in enumerate(rows) if r["section"] == row["section"])
            phrase = (i - first + 1) % 4 == 0 or (
                after is not None and after["written"] != row["written"] + 1
            )
            key = row["chorus"], row["written"]
            seen[key] = seen.get(key, 0) + 1
            bpm = [t for t in self.map["tempos"] if t["tick"] <= start][-1]["quarter_bpm"]
            grid = self.grid.ticks((*beats, end), bpm, self.midi.ticks_per_quarter)
            bars.append(
                Bar(
                    i, start, end, beats, row["section"], row["chorus"], row["written"],
                    seen[key], ends_section or phrase, ends_section, grid,
                )
            )  # fmt: skip
        return bars

    def _chords(self) -> list[Harmony]:
        rows = self.map["chords"]
        starts = [round(self.midi.tick(row["sounds_at_s"])) for row in rows]
        found: list[Harmony] = []
        number_of = {bar["number"]: bar for bar in self.map["bars"]}
        for i, row in enumerate(rows):
            end = starts[i + 1] if i + 1 < len(rows) else self.map["bars"][-1]["end_tick"]
            degrees = dict(zip(row["degrees"], row["pitch_classes"], strict=True))
            bass = -1
            if row["kind"] == "chord":
                bass = pitch_class(row["bass"] or row["root"])
            before = found[-1] if found else None
            change = (
                before is None or before.symbol != row["symbol"] or starts[i] < row["start_tick"]
            )
            section = self.map["sections"][number_of[row["bar"]]["section"]]["label"]
            found.append(
                Harmony(
                    row["kind"], row["symbol"], starts[i], end, row["start_tick"], bass,
                    frozenset(row["pitch_classes"]), degrees, row["articulation"], change, section,
                )
            )  # fmt: skip
        return found

    @cached_property
    def harmonies(self) -> list[Harmony]:
        """The chords with repetitions of the same one made one (rests and N.C. left in)."""
        found: list[Harmony] = []
        for chord in self.chords:
            plain = not chord.articulation and (not found or not found[-1].articulation)
            if found and not chord.change and plain and chord.section != "Stop":
                found[-1] = replace(found[-1], end=chord.end)
            else:
                found.append(chord)
        return found


def pitch_class(name: str) -> int:
    """Return the pitch class of a note name such as "Bb" or "F##"."""
    return ("C D EF G A B".index(name[0]) + name.count("#") - name[1:].count("b")) % 12


def written(
    style: str | Path,
    text: str,
    *,
    seed: int = 1,
    semitones: int = 0,
    fault: "Callable[[Arrangement, Timeline], Arrangement] | None" = None,
) -> tuple[bytes, str]:
    """Write a chart as a user gets it: the bytes of the MIDI file, the text of the chord map.

    `fault` changes the notes before they are written: see `spoil.py`.
    """
    from generator.chart.parser import parse_chart
    from generator.chordmap.build import map_json
    from generator.midi import midi_bytes
    from generator.pipeline.options import RenderOptions
    from generator.pipeline.prepare import prepare
    from generator.pipeline.products import track_map

    options = RenderOptions(style=str(style), seed=seed, transpose=semitones)
    track = prepare(parse_chart(text, "chart"), options)
    band = fault(track.arrangement, track.timeline) if fault else track.arrangement
    return midi_bytes(band, track.timeline), map_json(track_map(track, options))


def play(
    style: str | Path,
    case: Case,
    *,
    seed: int = 1,
    fault: "Callable[[Arrangement, Timeline], Arrangement] | None" = None,
) -> Take:
    """Let a style play one case."""
    text = chart_text(style, case)
    midi, chord_map = written(style, text, seed=seed, semitones=case.semitones, fault=fault)
    return Take(midi, chord_map, style_facts(style), case.dynamic)
