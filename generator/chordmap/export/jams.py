"""JAMS: annotations of chords, beats, sections, keys and tempo in one JSON file.

After E. Humphrey et al.: JAMS, a JSON Annotated Music Specification for reproducible MIR research,
ISMIR 2014; namespaces `chord`, `beat_position`, `segment_open`, `key_mode` and `tempo` (quarters a
minute). Written directly, so that no library is needed; the tests load and validate it with the
`jams` library.
"""

import json
import re
from bisect import bisect_right
from collections.abc import Iterable, Iterator
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
        (start, end - start, one_line(section.label))
        for start, end, section in from_zero(chord_map.sections)
    ]
    keys = _stretches(((k.time_s, _key_mode(k.key)) for k in chord_map.keys), duration_s)
    tempos = _stretches(((t.time_s, t.quarter_bpm) for t in chord_map.tempos), duration_s)
    made = f"{chord_map.made_by.name} {chord_map.made_by.version}"
    content = {
        "annotations": [
            _annotation(namespace, data, duration_s, made)
            for namespace, data in (
                ("chord", chords),
                ("beat_position", list(_beats(chord_map))),
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


def _beats(chord_map: ChordMap) -> Iterator[Observation]:
    """Yield each beat with its position in the bar, counted in the unit of the meter from 1.

    In 6/8 the beats stand at 1 and 4; a pickup holds the last positions of its bar.
    """
    ticks = [meter.tick for meter in chord_map.meters]
    for bar in chord_map.bars:
        meter = chord_map.meters[max(0, bisect_right(ticks, bar.start_tick) - 1)]
        numerator, _, denominator = meter.meter.partition(" ")[0].partition("/")
        position = 1.0 + int(numerator)
        positions = []
        for quarters in reversed(meter.beat_quarters):
            position -= quarters * int(denominator) / 4
            positions.append(position)
        whole = positions[::-1]
        for time_s, place in zip(bar.beats_s, whole[len(whole) - len(bar.beats_s) :], strict=True):
            if time_s >= 0:
                value = {
                    "position": place,
                    "measure": bar.number,
                    "num_beats": int(numerator),
                    "beat_units": int(denominator),
                }
                yield time_s, 0.0, value


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
