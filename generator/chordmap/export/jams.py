"""JAMS: annotations of chords, beats, sections, keys and tempo in one JSON file.

After E. Humphrey et al.: JAMS, a JSON Annotated Music Specification for reproducible MIR research,
ISMIR 2014; namespaces `chord`, `beat`, `segment_open`, `key_mode`, `tempo`. Written directly, so
that no library is needed; the tests load and validate it with the `jams` library.
"""

import json
import re
from collections.abc import Iterable
from itertools import pairwise
from typing import Any

from generator.chordmap.export.clip import from_zero, one_line
from generator.chordmap.reader import ChordMap

__all__ = ["write"]

_JAMS_VERSION = "0.3.4"
_KEY = re.compile(r"([A-G])([b#]?) (\w+)")
Observation = tuple[float, float, object]


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the `.jams` file."""
    duration_s = chord_map.end_s
    chords = [
        (start, end - start, chord.harte) for start, end, chord in from_zero(chord_map.chords)
    ]
    if chords[0][0] > 0:
        chords.insert(0, (0.0, chords[0][0], "N"))
    sections = [
        (start, end - start, one_line(section.label) or f"bar {section.first_bar}")
        for start, end, section in from_zero(chord_map.sections)
    ]
    beats = [(beat.time_s, 0.0, beat.beat) for beat in chord_map.beats() if beat.time_s >= 0]
    keys = _stretches(((k.time_s, _key_mode(k.key)) for k in chord_map.keys), duration_s)
    tempos = _stretches(((t.time_s, t.quarter_bpm) for t in chord_map.tempos), duration_s)
    made = f"{chord_map.made_by.name} {chord_map.made_by.version}"
    content = {
        "annotations": [
            _annotation(namespace, data, duration_s, made)
            for namespace, data in (
                ("chord", chords),
                ("beat", beats),
                ("segment_open", sections),
                ("key_mode", keys),
                ("tempo", tempos),
            )
        ],
        "file_metadata": {
            "title": chord_map.title,
            "artist": chord_map.composer,
            "release": "",
            "duration": duration_s,
            "identifiers": {},
            "jams_version": _JAMS_VERSION,
        },
        "sandbox": {},
    }
    text = json.dumps(content, ensure_ascii=False, indent=2, sort_keys=True, allow_nan=False)
    return {".jams": (text + "\n").encode()}


def _stretches(changes: Iterable[tuple[float, object]], end_s: float) -> list[Observation]:
    """Turn values with their onsets into stretches that last to the next onset."""
    times = [*changes, (end_s, None)]
    return [
        (max(0.0, start), after - max(0.0, start), value)
        for (start, value), (after, _) in pairwise(times)
        if after > max(0.0, start)
    ]


def _key_mode(key: str) -> str:
    """Write a key as JAMS does.

    >>> _key_mode("Bb major")
    'Bb:major'
    """
    found = _KEY.fullmatch(key)
    return f"{found[1]}{found[2]}:{found[3]}" if found else "N"


def _annotation(
    namespace: str, data: Iterable[Observation], duration_s: float, made: str
) -> dict[str, Any]:
    return {
        "namespace": namespace,
        "time": 0.0,
        "duration": duration_s,
        "data": [
            {
                "time": round(time_s, 6),
                "duration": round(lasts_s, 6),
                "value": value,
                "confidence": 1.0,
            }
            for time_s, lasts_s, value in data
        ],
        "annotation_metadata": {
            "annotation_tools": made,
            "annotation_rules": "",
            "annotator": {},
            "corpus": "",
            "curator": {"name": "", "email": ""},
            "data_source": "program",
            "validation": "",
            "version": "",
        },
        "sandbox": {},
    }
