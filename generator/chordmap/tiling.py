"""What the times of a chord map must satisfy beyond their types: order, no gap, no overlap."""

from itertools import pairwise
from typing import TYPE_CHECKING

from generator.errors import ChordMapError

if TYPE_CHECKING:
    from generator.chordmap.reader import ChordMap
    from generator.chordmap.records import BarEntry, ChordEntry

__all__ = ["check_tiling"]

_LONGEST_BAR_TICKS = 32 * 4 * 960

KINDS = ("chord", "no-chord", "rest")


def check_tiling(content: "ChordMap") -> None:
    """Check that bars, chords and sections tile the music and that every list is in order.

    Raises
    ------
    ChordMapError
        At the first fault; the message starts with the field.
    """
    for name in ("tempos", "meters", "keys", "sections", "bars", "chords"):
        if not getattr(content, name):
            raise ChordMapError(f"{name}: must not be empty")
    _check_sections(content)
    _check_stretches("bars", content.bars)
    _check_stretches("chords", content.chords)
    _check_edges(content)
    _check_bars(content)
    _check_chords(content)
    for name in ("tempos", "meters", "keys"):
        places = [entry.tick for entry in getattr(content, name)]
        for i, (before, after) in enumerate(pairwise(places), 1):
            if after <= before:
                raise ChordMapError(f"{name}[{i}].tick: must be above {before}, got {after}")
    for i, tempo in enumerate(content.tempos):
        if tempo.quarter_bpm <= 0:
            raise ChordMapError(
                f"tempos[{i}].quarter_bpm: must be above 0, got {tempo.quarter_bpm}"
            )
    for i, meter in enumerate(content.meters):
        for beat, quarters in enumerate(meter.beat_quarters):
            if not 0 < quarters <= 128:
                raise ChordMapError(f"meters[{i}].beat_quarters[{beat}]: got {quarters}")
    for i, key in enumerate(content.keys):
        if not -7 <= key.fifths <= 7:
            raise ChordMapError(f"keys[{i}].fifths: must lie in -7 to 7, got {key.fifths}")
    if content.tempos[0].tick != 0:
        raise ChordMapError(f"tempos[0].tick: must be 0, got {content.tempos[0].tick}")


def _check_sections(content: "ChordMap") -> None:
    numbers = {bar.number for bar in content.bars}
    for i, section in enumerate(content.sections):
        for field in ("first_bar", "last_bar"):
            if getattr(section, field) not in numbers:
                raise ChordMapError(
                    f"sections[{i}].{field}: there is no bar {getattr(section, field)}"
                )
        if section.end_s <= section.start_s:
            raise ChordMapError(f"sections[{i}].end_s: must lie after start_s {section.start_s}")
    for i, (before, after) in enumerate(pairwise(content.sections), 1):
        _expect(f"sections[{i}].start_s", after.start_s, before.end_s, "where the one before ends")


def _check_stretches(name: str, entries: "tuple[BarEntry | ChordEntry, ...]") -> None:
    for i, entry in enumerate(entries):
        for start, end in (("start_tick", "end_tick"), ("start_s", "end_s")):
            if getattr(entry, end) <= getattr(entry, start):
                raise ChordMapError(
                    f"{name}[{i}].{end}: must lie after {start} {getattr(entry, start)}, "
                    f"got {getattr(entry, end)}"
                )
    for i, (before, after) in enumerate(pairwise(entries), 1):
        _expect(f"{name}[{i}].start_s", after.start_s, before.end_s, "where the one before ends")
        _expect(
            f"{name}[{i}].start_tick",
            after.start_tick,
            before.end_tick,
            "where the one before ends",
        )


def _check_edges(content: "ChordMap") -> None:
    edges = [("start_s", 0, "the first bar's"), ("end_s", -1, "the last bar's")]
    for edge, place, whose in edges:
        _expect_edge(content, "sections", edge, place, whose)
    edges += [("start_tick", 0, "the first bar's"), ("end_tick", -1, "the last bar's")]
    for edge, place, whose in edges:
        _expect_edge(content, "chords", edge, place, whose)


def _expect_edge(content: "ChordMap", name: str, edge: str, place: int, whose: str) -> None:
    entries = getattr(content, name)
    expected = getattr(content.bars[place], edge)
    _expect(
        f"{name}[{place % len(entries)}].{edge}", getattr(entries[place], edge), expected, whose
    )


def _check_bars(content: "ChordMap") -> None:
    for i, (before, after) in enumerate(pairwise(content.bars), 1):
        if after.number <= before.number:
            raise ChordMapError(
                f"bars[{i}].number: must be above {before.number}, got {after.number}"
            )
    for i, bar in enumerate(content.bars):
        if bar.end_tick - bar.start_tick > _LONGEST_BAR_TICKS:
            raise ChordMapError(f"bars[{i}].end_tick: a bar holds at most 32 whole notes")
        if not 0 <= bar.section < len(content.sections):
            raise ChordMapError(f"bars[{i}].section: there is no section {bar.section}")
        if not bar.beats_s:
            raise ChordMapError(f"bars[{i}].beats_s: must not be empty")
        _expect(f"bars[{i}].beats_s[0]", bar.beats_s[0], bar.start_s, "the bar's start_s")
        for beat, (before_s, after_s) in enumerate(pairwise((*bar.beats_s, bar.end_s)), 1):
            if after_s <= before_s:
                name = f"beats_s[{beat}]" if beat < len(bar.beats_s) else "end_s"
                raise ChordMapError(f"bars[{i}].{name}: must lie after {before_s}, got {after_s}")


def _check_chords(content: "ChordMap") -> None:
    numbers = {bar.number for bar in content.bars}
    for i, chord in enumerate(content.chords):
        if chord.kind not in KINDS:
            known = ", ".join(KINDS)
            raise ChordMapError(f"chords[{i}].kind: must be one of {known}, got {chord.kind!r}")
        if chord.kind == "chord" and (chord.root is None or chord.quality is None):
            missing = "root" if chord.root is None else "quality"
            raise ChordMapError(f"chords[{i}].{missing}: a chord needs one, got null")
        if chord.bar not in numbers:
            raise ChordMapError(f"chords[{i}].bar: there is no bar {chord.bar}")
        if chord.sounds_at_s > chord.start_s:
            raise ChordMapError(
                f"chords[{i}].sounds_at_s: must not lie after start_s {chord.start_s}, "
                f"got {chord.sounds_at_s}"
            )
        if i and chord.sounds_at_s < content.chords[i - 1].sounds_at_s:
            raise ChordMapError(
                f"chords[{i}].sounds_at_s: lies before the onset of the chord before it, "
                f"{content.chords[i - 1].sounds_at_s}, got {chord.sounds_at_s}"
            )


def _expect(field: str, got: float, expected: float, why: str) -> None:
    if got != expected:
        raise ChordMapError(f"{field}: must be {expected}, {why}, got {got}")
