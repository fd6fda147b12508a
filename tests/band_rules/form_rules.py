"""Rules 12, 17 to 19 and 22: form, silence, pushes, the end, and variety."""

from bisect import bisect_left
from collections import Counter
from itertools import pairwise
from statistics import median

from band_rules.smf import MidiNote
from band_rules.take import VOICES, Bar, Harmony, Take

__all__ = ["measure_choruses", "measure_cues", "measure_end", "measure_fills"]

Samples = dict[str, list[float]]

LONG_TICKS = 20
"""Less than this (10 ms at q=120) is no overlap that the ear could hear."""


def measure_fills(take: Take) -> Samples:
    """Rule 12: bars that hold a fill end a phrase; at most one crash opens a section."""
    found: Samples = {"fills placed": [], "crashes": [], "fills": []}
    bars = [bar for bar in take.bars if not _cued(take, bar) and not take.changes_dynamics]
    strokes = {bar.index: _busy(take, bar) for bar in bars}
    toms = {bar.index: _count(take, bar, "tom") for bar in bars}
    usual = median(strokes.values()) if strokes else 0
    groove_has_toms = sum(map(bool, toms.values())) > 0.3 * len(bars)
    for bar in bars:
        if (toms[bar.index] and not groove_has_toms) or strokes[bar.index] >= usual + 5:
            found["fills placed"].append(float(bar.ends_phrase))
        if bar.ends_section and bar.index + 1 < len(take.bars):
            found["fills"].append(float(strokes[bar.index] + toms[bar.index]))
    for bar in take.bars:
        if bar.index and take.bars[bar.index - 1].section == bar.section:
            continue
        reach = take.reach(bar.start)
        opening = [n for n in take.voice("crash") if abs(n.start - bar.start) <= reach]
        found["crashes"].append(float(len(opening)))
    return found


def measure_cues(take: Take) -> Samples:
    """Rules 17 and 18: silences are silent, pushes come early and are not struck again."""
    found: Samples = {"in N.C.": [], "in silence": [], "pushed": [], "struck again": []}
    pitched = sorted((*take.bass, *take.pad, *take.comp), key=lambda note: note.start)
    every = sorted((*pitched, *take.drums), key=lambda note: note.start)
    for chord in take.chords:
        if chord.kind == "no-chord":
            found["in N.C."].append(float(len(_between(pitched, chord.start, chord.end))))
    for start, end in take.silences:
        found["in silence"].append(float(len(_between(every, start, end))))
    for chord in take.chords:
        if not chord.pushed or chord.kind != "chord":
            continue
        reach = take.reach(chord.start)
        for part in (take.bass, take.pad):
            if part:
                near = _between(part, chord.start - reach, chord.start + reach)
                found["pushed"].append(float(bool(near)))
        again = _between(pitched, chord.start + 3 * reach, chord.written + reach)
        kit = [n for n in take.drums if n.pitch not in VOICES["hat"] + VOICES["ride"]]
        again += _between(kit, chord.start + reach, chord.written + reach)
        found["struck again"].append(float(len(again)))
    return found


def measure_end(take: Take) -> Samples:
    """Rule 19: the final chord rings, nothing hangs."""
    tracks = take.midi.tracks.values()
    end = take.bars[-1].end
    beat = take.bars[-1].beats
    beat_ticks = (beat[1] if len(beat) > 1 else end) - beat[0]
    found: Samples = {
        "hanging": [float(sum(track.hanging + track.restruck for track in tracks))],
        "past the end": [],
        "last rings": [],
    }
    last = take.chords[-1]
    for part in (take.bass, take.pad):
        if not part or last.kind != "chord":
            continue
        final = max(n.end for n in part)
        notes = [n for n in part if n.end >= final - LONG_TICKS]
        found["last rings"].append(max(n.end - n.start for n in notes) / beat_ticks)
        asked = max(end, max(n.start for n in notes) + 2 * beat_ticks)
        found["past the end"].append(max(0.0, take.ms(asked, final)))
    return found


def measure_choruses(take: Take) -> Samples:
    """Rule 22: drums differ from chorus to chorus, and each section change is heard."""
    found: Samples = {"differs": [], "bass differs": [], "audible": [], "fills alike": []}
    signatures = {bar.index: _signature(take, bar, take.drums) for bar in take.bars}
    lines = {bar.index: _signature(take, bar, take.bass) for bar in take.bars}
    bars = {(b.chorus, b.written, b.repeat_pass): b.index for b in take.bars}
    choruses = max(bar.chorus for bar in take.bars)
    for (chorus, number, turn), i in bars.items():
        before = bars.get((chorus - 1, number, turn))
        if choruses > 1 and before is not None:
            found["differs"].append(float(signatures[i] != signatures[before]))
            found["bass differs"].append(float(lines[i] != lines[before]))
    if choruses > 1:
        ends = [_fill_signature(take, b) for b in take.bars if b.ends_section][:-1]
        found["fills alike"] = [float(b == a) for a, b in pairwise(ends)]
        inside = Counter(_last_beat(take, bar) for bar in take.bars if not bar.ends_section)
        total = sum(inside.values())
        for bar in take.bars[:-1]:
            if bar.ends_section and not _cued(take, take.bars[bar.index + 1]):
                start = take.bars[bar.index + 1].start
                reach = take.reach(start)
                crash = any(abs(n.start - start) <= reach for n in take.voice("crash"))
                rare = inside[_last_beat(take, bar)] <= 0.25 * total
                found["audible"].append(float(crash or rare))
    return found


def _cued(take: Take, bar: Bar) -> bool:
    """Return whether the chart asks for something in this bar that is no groove."""

    def asks(chord: Harmony) -> bool:
        plain = chord.kind == "chord" and not chord.articulation and not chord.pushed
        return not plain or chord.section == "Stop"

    inside = [c for c in take.chords if c.start < bar.end and c.end > bar.start]
    return any(asks(chord) for chord in inside) or bar.index == len(take.bars) - 1


def _busy(take: Take, bar: Bar) -> int:
    return _count(take, bar, "snare") + _count(take, bar, "tom")


def _count(take: Take, bar: Bar, voice: str) -> int:
    reach = take.reach(bar.start)
    inside = _between(take.drums, bar.start - reach, bar.end - reach)
    return sum(note.pitch in VOICES[voice] for note in inside)


def _between(
    notes: list[MidiNote] | tuple[MidiNote, ...], start: float, end: float
) -> list[MidiNote]:
    i = bisect_left(notes, start, key=lambda note: note.start)
    return list(notes[i : bisect_left(notes, end, key=lambda note: note.start)])


def _signature(take: Take, bar: Bar, notes: tuple[MidiNote, ...]) -> frozenset[tuple[int, int]]:
    """Return which key stands on which place of the grid: touch and timing left out."""
    reach = take.reach(bar.start)
    inside = _between(notes, bar.start - reach, bar.end - reach)
    return frozenset((note.pitch, take.place(note.start)[1]) for note in inside)


def _last_beat(take: Take, bar: Bar) -> frozenset[tuple[int, int]]:
    reach = take.reach(bar.start)
    notes = _between(take.drums, bar.beats[-1] - reach, bar.end - reach)
    return frozenset((n.pitch, round((take.place(n.start)[2] - bar.end) / 10)) for n in notes)


def _fill_signature(take: Take, bar: Bar) -> frozenset[tuple[int, int]]:
    """Return the strokes on snare and toms in the second half of a bar."""
    half = (bar.start + bar.end) / 2 - take.reach(bar.start)
    notes = _between(take.drums, half, bar.end - take.reach(bar.end))
    hands = VOICES["snare"] + VOICES["tom"]
    return frozenset((n.pitch, take.place(n.start)[1]) for n in notes if n.pitch in hands)
