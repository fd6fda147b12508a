"""Chapters: the sections of a track with their times, for audio files and video descriptions."""

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from generator.chordmap.reader import ChordMap
    from generator.chordmap.records import SectionEntry
    from generator.chordmap.sections import Content

__all__ = ["chapters", "section_chapters", "section_name"]


def chapters(chord_map: "ChordMap") -> tuple[tuple[float, float, str], ...]:
    """Return (start_s, end_s, title) of each chapter of a map, see `section_chapters`."""
    fields = ("label", "first_bar", "last_bar", "start_s", "end_s")
    sections = [{name: getattr(entry, name) for name in fields} for entry in chord_map.sections]
    return section_chapters(sections, counted=chord_map.count_in.beats > 0)


def section_chapters(
    sections: "Sequence[Content]", *, counted: bool
) -> tuple[tuple[float, float, str], ...]:
    """Return (start_s, end_s, title) of each chapter, from zero to the last bar without gap.

    What lies before the first section is "Count-in". A section that comes again is numbered: "A",
    "A 2". One without a name is called by its bars.
    """
    seen: Counter[str] = Counter()
    found = []
    if sections[0]["start_s"] > 0:
        found.append((0.0, sections[0]["start_s"], "Count-in" if counted else "Start"))
    for section in sections:
        label = section["label"]
        seen[label] += 1
        title = _name(label, section["first_bar"], section["last_bar"])
        if label and seen[label] > 1:
            title += f" {seen[label]}"
        if section["end_s"] > 0:
            found.append((max(0.0, section["start_s"]), section["end_s"], title))
    return tuple(found)


def section_name(section: "SectionEntry") -> str:
    """Return a section's label, or what to call it when it has none."""
    return _name(section.label, section.first_bar, section.last_bar)


def _name(label: str, first_bar: int, last_bar: int) -> str:
    if label:
        return label
    if last_bar == 0:
        return "Pickup"
    first = max(1, first_bar)
    return f"Bars {first}-{last_bar}" if last_bar > first else f"Bar {first}"
