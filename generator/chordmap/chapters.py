"""Chapters: the sections of a track with their times, for audio files and video descriptions."""

from collections import Counter
from typing import TYPE_CHECKING

from generator.chordmap.reader import ChordMap

if TYPE_CHECKING:
    from generator.chordmap.model import ChordMapFile, MapSection
    from generator.chordmap.records import SectionEntry

__all__ = ["chapters", "section_name"]


def chapters(chord_map: "ChordMap | ChordMapFile") -> tuple[tuple[float, float, str], ...]:
    """Return (start_s, end_s, title) of each chapter, from zero to the last bar without gap.

    What lies before the first section is "Count-in". A section that comes again is numbered: "A",
    "A 2". One without a name is called by its bars.
    """
    sections = chord_map.sections
    often = Counter(section.label for section in sections)
    seen: Counter[str] = Counter()
    found = []
    if sections[0].start_s > 0:
        name = "Count-in" if chord_map.count_in.beats else "Start"
        found.append((0.0, sections[0].start_s, name))
    for section in sections:
        seen[section.label] += 1
        title = section_name(section)
        if section.label and often[section.label] > 1 and seen[section.label] > 1:
            title += f" {seen[section.label]}"
        if section.end_s > 0:
            found.append((max(0.0, section.start_s), section.end_s, title))
    return tuple(found)


def section_name(section: "SectionEntry | MapSection") -> str:
    """Return a section's label, or what to call it when it has none."""
    if section.label:
        return section.label
    if section.last_bar == 0:
        return "Pickup"
    first = max(1, section.first_bar)
    return f"Bars {first}-{section.last_bar}" if section.last_bar > first else f"Bar {first}"
