"""The records that a reader of a chord map gets, and how JSON becomes one of them.

Standard library only, so that a script can read maps without what writes them. Names and units of
the fields are those of the file (see README.md in this folder); `pass` and `for` end in an
underscore here, since they are words of Python. Fields that a newer minor version added are
ignored.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from functools import cache
from types import UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from generator.errors import ChordMapError
from generator.record import record

__all__ = [
    "AudioEntry",
    "BarEntry",
    "Beat",
    "ChordEntry",
    "CountInEntry",
    "KeyEntry",
    "MadeByEntry",
    "MeterEntry",
    "ScaleEntry",
    "SectionEntry",
    "TempoEntry",
    "TempoWordEntry",
    "WrittenEntry",
    "decode",
]

T = TypeVar("T")


@record
class MadeByEntry:
    """What made the map."""

    name: str
    version: str
    style: str
    seed: int
    chart_sha256: str


@record
class AudioEntry:
    """One audio file beside the map; `start_offset_s` is where time zero lies in it."""

    file: str
    part: str
    format: str
    sha256: str
    duration_s: float
    sample_rate: int
    start_offset_s: float


@record
class CountInEntry:
    """The count before the music."""

    beats: int
    start_s: float
    end_s: float
    beats_s: tuple[float, ...] = ()


@record
class TempoEntry:
    """A tempo in quarters a minute, from here to the next."""

    tick: int
    time_s: float
    quarter_bpm: float


@record
class TempoWordEntry:
    """A word about the tempo, such as "rit."."""

    tick: int
    time_s: float
    text: str


@record
class MeterEntry:
    """A meter, from here to the next; `beat_quarters` are the lengths of its beats."""

    bar: int
    tick: int
    time_s: float
    meter: str
    beat_quarters: tuple[float, ...]


@record
class KeyEntry:
    """A key, from here to the next; `fifths` is its signature, -7 to 7."""

    bar: int
    tick: int
    time_s: float
    key: str
    fifths: int


@record
class SectionEntry:
    """One played section."""

    label: str
    pass_: int
    first_bar: int
    last_bar: int
    start_s: float
    end_s: float
    dynamics: str


@record
class BarEntry:
    """One played bar; `section` is its place in `ChordMap.sections`."""

    number: int
    written: int
    chorus: int
    section: int
    meter: str
    start_tick: int
    end_tick: int
    start_s: float
    end_s: float
    beats_s: tuple[float, ...]


@record
class Beat:
    """One beat: its time, the played bar, and its count in the bar from 1."""

    time_s: float
    bar: int
    beat: int


@record
class ScaleEntry:
    """A scale that fits a chord."""

    name: str
    notes: tuple[str, ...]


@record
class WrittenEntry:
    """A chord as a transposing reader sees it."""

    for_: str
    symbol: str
    root: str
    bass: str | None
    notes: tuple[str, ...]


@record
class ChordEntry:
    """One chord, no-chord or rest, from `start_s` (written) to `end_s`."""

    symbol: str
    kind: str
    root: str | None
    bass: str | None
    quality: str | None
    degrees: tuple[str, ...]
    notes: tuple[str, ...]
    pitch_classes: tuple[int, ...]
    harte: str
    roman: str
    key: str
    guide_tones: tuple[str, ...]
    tensions: tuple[str, ...]
    avoid: tuple[str, ...]
    scales: tuple[ScaleEntry, ...]
    bar: int
    beat: float
    start_tick: int
    end_tick: int
    start_s: float
    end_s: float
    sounds_at_s: float
    articulation: str
    written: WrittenEntry | None = None


def decode(record: type[T], value: object, path: str) -> T:
    """Turn the JSON object `value` into a record.

    >>> decode(TempoEntry, {"tick": 0, "time_s": 0, "quarter_bpm": 98.0}, "tempos[0]")
    TempoEntry(tick=0, time_s=0.0, quarter_bpm=98.0)

    Raises
    ------
    ChordMapError
        If a field is absent or of the wrong type; the message starts with its path.
    """
    if not isinstance(value, Mapping):
        raise ChordMapError(f"{path}: expected an object, got {_shown(value)}")
    found = {}
    for name, key, read, optional in _plan(record):  # type: ignore[arg-type]  # a type is hashable
        if key in value:
            found[name] = read(value[key], f"{path}.{key}" if path else key)
        elif not optional:
            raise ChordMapError(f"{path + '.' if path else ''}{key}: this field is missing")
    return record(**found)


Reading = Callable[[object, str], Any]


@cache
def _plan(record: type[Any]) -> tuple[tuple[str, str, Reading, bool], ...]:
    """List (attribute, key in the file, how to read it, may be absent) of each field."""
    hints = get_type_hints(record)
    return tuple(
        (
            field.name,
            field.name.rstrip("_"),
            _reading(hints[field.name]),
            field.default is not MISSING,
        )
        for field in fields(record)
        if field.init
    )


def _reading(hint: Any) -> Reading:
    if get_origin(hint) in (Union, UnionType):
        inner = _reading(next(arg for arg in get_args(hint) if arg is not type(None)))
        return lambda value, path: None if value is None else inner(value, path)
    if get_origin(hint) is tuple:
        return _list_reading(_reading(get_args(hint)[0]))
    if hint is str:
        return _text
    if hint is int:
        return _whole_number
    if hint is float:
        return _number
    return lambda value, path: decode(hint, value, path)


def _list_reading(inner: Reading) -> Reading:
    def read(value: object, path: str) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise ChordMapError(f"{path}: expected a list, got {_shown(value)}")
        return tuple(inner(item, f"{path}[{i}]") for i, item in enumerate(value))

    return read


def _text(value: object, path: str) -> str:
    if not isinstance(value, str):
        raise ChordMapError(f"{path}: expected text, got {_shown(value)}")
    try:
        value.encode()
    except UnicodeEncodeError as error:
        raise ChordMapError(f"{path}: half a character in {_shown(value)}") from error
    return value


def _whole_number(value: object, path: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise ChordMapError(f"{path}: expected a whole number, got {_shown(value)}")
    return value


def _number(value: object, path: str) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:  # a whole number of hundreds of digits
            number = math.inf
        if math.isfinite(number):
            return number
    raise ChordMapError(f"{path}: expected a number, got {_shown(value)}")


def _shown(value: object) -> str:
    text = "null" if value is None else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
