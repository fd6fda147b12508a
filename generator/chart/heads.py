"""The head of a chart: `Name: text` lines before the first bar."""

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import PurePath
from typing import NamedTuple, TypeVar

from generator.chart.meter import Meter, Tempo
from generator.chart.model import Feel, Span
from generator.chart.source import ProblemList
from generator.chart.suggest import did_you_mean, nearest
from generator.chart.values import (
    ValueFault,
    parse_beats,
    parse_count,
    parse_feel,
    parse_meter,
    parse_tempo,
)
from generator.errors import KeyNameError
from generator.harmony.key import Key, parse_key

__all__ = ["HEADS", "MAX_CHORUSES", "MAX_COUNT_IN_BARS", "Heads", "read_heads", "split_head"]

HEADS = (
    "Title", "Composer", "Key", "Time", "Tempo", "Feel", "Style", "Pickup", "Choruses", "Form",
    "Count-in",
)  # fmt: skip
"""Every head, in the order in which a chart is printed."""

_OTHER_WORDS = {
    "artist": "Composer", "author": "Composer", "by": "Composer", "writer": "Composer",
    "bpm": "Tempo", "speed": "Tempo", "metronome": "Tempo",
    "meter": "Time", "metre": "Time", "time signature": "Time", "signature": "Time",
    "name": "Title", "song": "Title", "tune": "Title",
    "genre": "Style", "groove": "Style", "swing": "Feel", "rhythm": "Feel",
    "anacrusis": "Pickup", "upbeat": "Pickup", "repeats": "Choruses", "structure": "Form",
    "order": "Form", "tonality": "Key",
}  # fmt: skip

MAX_CHORUSES = 1000
"""Most choruses; the limit on bars usually comes first."""

MAX_COUNT_IN_BARS = 8
"""Longest count-in."""

_HEAD = re.compile(r"\s*([^\W\d_][\w .-]{0,30}?)\s*:(?![|:])\s*(.*?)\s*$")

T = TypeVar("T")


class Heads(NamedTuple):
    """The values of the heads, defaults filled in."""

    title: str
    composer: str
    key: Key
    meter: Meter
    tempo: Tempo
    feel: Feel | None
    style: str | None
    pickup_beats: Fraction
    choruses: int
    count_in_bars: int


def split_head(line: str, number: int) -> tuple[str, Span, str, Span] | None:
    """Parse `head = name ":" text`.

    Return the name and the text with their places, or None if the line is no head.
    """
    match = _HEAD.match(line)
    if match is None:
        return None
    name_span = Span(number, match.start(1) + 1, len(match[1]))
    return match[1], name_span, match[2], Span(number, match.start(2) + 1, len(match[2]))


def canonical_head(name: str) -> str | None:
    """Return the head that a name stands for, without regard to case; None if unknown."""
    fold = re.sub(r"[\s-]+", "-", name.casefold())
    return next((head for head in HEADS if head.casefold() == fold), None)


def unknown_head(name: str, text: str) -> str:
    """Return the message for a head that does not exist; without text it may be a section."""
    meant = _OTHER_WORDS.get(name.casefold())
    hint = f"did you mean {meant}?" if meant else did_you_mean(name, HEADS)
    if not text and not hint:
        hint = f"a section stands in brackets, [{name}]"
    hint = hint or f"heads are {', '.join(HEADS)}"
    return f"unknown head '{name}:'; {hint}"


def read_heads(
    raw: Mapping[str, tuple[str, Span]],
    source_name: str,
    problems: ProblemList,
    styles: tuple[str, ...] | None,
) -> Heads:
    """Read the texts of the heads; what is absent or faulty gets its default.

    The defaults: the title is the file's name, the key C major, the meter 4/4, the tempo 120
    quarters a minute, one chorus, one bar of count-in.
    """

    def value(name: str, read: Callable[[str], T], default: T) -> T:
        if name not in raw:
            return default
        text, span = raw[name]
        try:
            return read(text)
        except ValueFault as fault:
            problems.add(Span(span.line, span.column + fault.offset), fault.message)
        except KeyNameError as error:
            problems.add(span, str(error))
        return default

    def style(text: str) -> str:
        if styles is not None and text not in styles:
            close = nearest(text, styles)
            known = f"nearest: {', '.join(close)}" if close else f"styles are {', '.join(styles)}"
            raise ValueFault(f"unknown style '{text[:40]}'; {known}")
        return text

    meter = value("Time", parse_meter, Meter(4, 4))
    beats = len(meter.beat_lengths)

    def pickup(text: str) -> Fraction:
        count = parse_beats(text)
        if count >= beats:
            message = f"a pickup of {count} beats; it must be shorter than the bar ({beats} beats)"
            raise ValueFault(message)
        if (count * 960).denominator != 1:
            raise ValueFault(f"a pickup of {count} beats; write whole beats, halves or thirds")
        return count

    return Heads(
        title=value("Title", _one_line, default_title(source_name)),
        composer=value("Composer", _one_line, ""),
        key=value("Key", parse_key, parse_key("C")),
        meter=meter,
        tempo=value(
            "Tempo", lambda text: parse_tempo(text, meter), Tempo(Fraction(1), Fraction(120))
        ),
        feel=value("Feel", parse_feel, None),
        style=value("Style", style, None),
        pickup_beats=value("Pickup", pickup, Fraction(0)),
        choruses=value("Choruses", lambda text: parse_count(text, 1, MAX_CHORUSES, "choruses"), 1),
        count_in_bars=value(
            "Count-in",
            lambda text: parse_count(text, 0, MAX_COUNT_IN_BARS, "bars of count-in"),
            1,
        ),
    )


def _one_line(text: str) -> str:
    return " ".join(text.split())


def default_title(source_name: str) -> str:
    """Return a title for a chart without one: the name of its file in words.

    >>> default_title("charts/slow_blues.chart")
    'slow blues'
    """
    stem = "" if source_name.startswith("<") else PurePath(source_name).stem
    words = re.sub(r"[^\w'-]+|_", " ", stem).strip()
    return words or "Untitled"
