"""Read a chord map: which chord, bar and section at a moment. Standard library only.

>>> from generator.chordmap.reader import ChordMap
>>> song = ChordMap.load("song.chordmap.json")         # doctest: +SKIP
>>> song.chord_at(42.0).notes                          # doctest: +SKIP
('E', 'G', 'B', 'D', 'F#')

Times are seconds from the first sample of the audio. A stretch holds its start and not its end.
A chord has two onsets: the beat at which it is *written* (`start_s`), and the moment at which the
band strikes it (`sounds_at_s`), which is earlier for a push. Look-ups go by the written beat
unless `sounding=True`: the written beat is what a page or a caption shows, the sounding onset is
what an analysis of the audio hears.
"""

import json
import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from generator.chordmap.records import (
    AudioEntry,
    BarEntry,
    Beat,
    ChordEntry,
    CountInEntry,
    KeyEntry,
    MadeByEntry,
    MeterEntry,
    SectionEntry,
    TempoEntry,
    TempoWordEntry,
    decode,
)
from generator.chordmap.tiling import check_tiling
from generator.errors import ChordMapError
from generator.record import record

__all__ = ["ChordMap"]

MAJOR_VERSION = 1
Record = TypeVar("Record")


@record
class ChordMap:
    """A chord map in memory; look-ups take logarithmic time.

    Attributes are the fields of the file: `title`, `composer`, `key`, `tuning_hz`, `made_by`,
    `audio`, `count_in`, `tempos`, `tempo_words`, `meters`, `keys`, `sections`, `bars`, `chords`.
    Make one with `load` or `from_dict`.
    """

    format: str
    version: str
    title: str
    composer: str
    key: str
    tuning_hz: float
    made_by: MadeByEntry
    audio: tuple[AudioEntry, ...]
    count_in: CountInEntry
    tempos: tuple[TempoEntry, ...]
    meters: tuple[MeterEntry, ...]
    keys: tuple[KeyEntry, ...]
    sections: tuple[SectionEntry, ...]
    bars: tuple[BarEntry, ...]
    chords: tuple[ChordEntry, ...]
    tempo_words: tuple[TempoWordEntry, ...] = ()
    _chord_starts: tuple[float, ...] = field(default=(), init=False, repr=False, compare=False)
    _chord_sounds: tuple[float, ...] = field(default=(), init=False, repr=False, compare=False)
    _bar_starts: tuple[float, ...] = field(default=(), init=False, repr=False, compare=False)
    _section_starts: tuple[float, ...] = field(default=(), init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        put = object.__setattr__  # the way that the standard library gives for frozen records
        put(self, "_chord_starts", tuple(chord.start_s for chord in self.chords))
        put(self, "_chord_sounds", tuple(chord.sounds_at_s for chord in self.chords))
        put(self, "_bar_starts", tuple(bar.start_s for bar in self.bars))
        put(self, "_section_starts", tuple(section.start_s for section in self.sections))

    @classmethod
    def load(cls, path: Path | str) -> "ChordMap":
        """Read a `.chordmap.json` file.

        Raises
        ------
        ChordMapError
            If the file cannot be read or does not hold; the message names file and field.
        """
        try:
            content = json.loads(Path(path).read_text(encoding="utf-8"))
        except OSError as error:
            raise ChordMapError(f"{path}: cannot be read: {error.strerror or error}") from error
        except UnicodeDecodeError as error:
            raise ChordMapError(
                f"{path}: not UTF-8 text at byte {error.start}: is this a chord map?"
            ) from error
        except json.JSONDecodeError as error:
            raise ChordMapError(
                f"{path}:{error.lineno}:{error.colno}: not JSON: {error.msg}; a chord map is what "
                "`chartbed render --formats map` writes"
            ) from error
        except (RecursionError, ValueError) as error:
            raise ChordMapError(f"{path}: not a chord map: {error}") from error
        try:
            return cls.from_dict(content)
        except ChordMapError as error:
            raise ChordMapError(f"{path}: {error}") from error

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> "ChordMap":
        """Make a chord map from the object that the JSON text holds.

        Raises
        ------
        ChordMapError
            If a field is absent or wrong, or stretches leave gaps or overlap; the message starts
            with the field.
        """
        if not isinstance(content, Mapping):
            raise ChordMapError("the file must hold one JSON object")
        if content.get("format") != "chord-map":
            raise ChordMapError(f'format: expected "chord-map", got {content.get("format")!r}')
        version = str(content.get("version"))
        if version.partition(".")[0] != str(MAJOR_VERSION):
            raise ChordMapError(
                f"version: this reader knows {MAJOR_VERSION}.x, got {version!r}; "
                "use a version of the program that wrote the map"
            )
        made = decode(cls, content, "")
        check_tiling(made)
        return made

    @property
    def start_s(self) -> float:
        """Start of the music, after the count-in."""
        return self.chords[0].start_s

    @property
    def end_s(self) -> float:
        """End of the last bar."""
        return self.chords[-1].end_s

    def chord_at(self, time_s: float, *, sounding: bool = False) -> ChordEntry | None:
        """Return the chord at a moment, None before the first and from the end on.

        With `sounding`, a pushed chord counts from the moment at which the band strikes it.
        """
        starts = self._chord_sounds if sounding else self._chord_starts
        i = bisect_right(starts, _moment(time_s)) - 1
        return self.chords[i] if i >= 0 and time_s < self.end_s else None

    def next_chord(self, time_s: float, *, sounding: bool = False) -> ChordEntry | None:
        """Return the first chord that starts after a moment, None when there is no more."""
        starts = self._chord_sounds if sounding else self._chord_starts
        i = bisect_right(starts, _moment(time_s))
        return self.chords[i] if i < len(self.chords) else None

    def bar_at(self, time_s: float) -> BarEntry | None:
        """Return the bar at a moment, None in the count-in and from the end on."""
        return _at(self.bars, self._bar_starts, time_s, self.end_s)

    def section_at(self, time_s: float) -> SectionEntry | None:
        """Return the section at a moment, None in the count-in and from the end on."""
        return _at(self.sections, self._section_starts, time_s, self.end_s)

    def beats(self) -> Iterator[Beat]:
        """Yield every beat of the music in order, without the count-in."""
        for bar in self.bars:
            for count, time_s in enumerate(bar.beats_s, 1):
                yield Beat(time_s, bar.number, count)

    def chords_between(self, from_s: float, to_s: float) -> tuple[ChordEntry, ...]:
        """Return the chords that hold at some moment of `from_s <= t < to_s`, in order.

        Raises
        ------
        ValueError
            If `to_s` lies before `from_s`.
        """
        if _moment(to_s) < _moment(from_s):
            raise ValueError(f"the stretch ends at {to_s} s, before its start at {from_s} s")
        if from_s == to_s or from_s >= self.end_s:
            return ()
        first = max(0, bisect_right(self._chord_starts, from_s) - 1)
        return self.chords[first : bisect_left(self._chord_starts, to_s)]

    def at_offset(self, seconds: float) -> "ChordMap":
        """Return the map for a recording in which time zero of this map lies at `seconds`.

        A video in which the track starts after twelve seconds has the map `at_offset(12.0)`. The
        result may hold times below zero when `seconds` is negative.
        """
        offset_s = _finite(seconds)
        moved = _with_times(self, lambda name, time_s: time_s + offset_s)
        audio = tuple(
            replace(entry, start_offset_s=entry.start_offset_s - offset_s) for entry in self.audio
        )
        return replace(moved, audio=audio)

    def scaled(self, factor: float) -> "ChordMap":
        """Return the map for the track played `factor` times as long (1.25 at 80 % of the tempo).

        The entries of `audio` are dropped: they describe files of the old length.

        Raises
        ------
        ValueError
            If `factor` is not above zero.
        """
        if _finite(factor) <= 0:
            raise ValueError(f"the factor must be above zero, got {factor}")
        moved = _with_times(self, lambda name, time_s: time_s * factor)
        tempos = tuple(
            replace(entry, quarter_bpm=entry.quarter_bpm / factor) for entry in moved.tempos
        )
        return replace(moved, audio=(), tempos=tempos)


def _moment(time_s: float) -> float:
    if math.isnan(time_s):
        raise ValueError("a time must be a number, got NaN")
    return time_s


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"expected a finite number, got {value}")
    return value


def _at(
    entries: tuple[Record, ...], starts: tuple[float, ...], time_s: float, end_s: float
) -> Record | None:
    i = bisect_right(starts, _moment(time_s)) - 1
    return entries[i] if i >= 0 and time_s < end_s else None


def _with_times(record: Record, move: Callable[[str, float], float]) -> Record:
    """Copy a record with every field in seconds moved, inside lists and records too."""
    if not is_dataclass(record) or isinstance(record, AudioEntry | type):
        return record
    changed: dict[str, Any] = {}
    for each in fields(record):
        value = getattr(record, each.name)
        if not each.init:
            continue
        if each.name.endswith("_s"):
            changed[each.name] = (
                tuple(move(each.name, item) for item in value)
                if isinstance(value, tuple)
                else move(each.name, value)
            )
        elif isinstance(value, tuple) and value and is_dataclass(value[0]):
            changed[each.name] = tuple(_with_times(item, move) for item in value)
        elif is_dataclass(value):
            changed[each.name] = _with_times(value, move)
    return replace(record, **changed)
