"""The small values of a chart: meters, tempos, feels, counts. Each function reads one of them.

They raise `ValueFault`, which says how far into the text the fault lies; the parser knows where
the text stands.
"""

import re
from fractions import Fraction

from generator.chart.meter import Meter, Tempo
from generator.chart.model import Feel

__all__ = [
    "MAX_QUARTER_BPM",
    "MAX_UNITS",
    "MIN_QUARTER_BPM",
    "ValueFault",
    "parse_beats",
    "parse_count",
    "parse_feel",
    "parse_meter",
    "parse_tempo",
    "short",
]

MAX_UNITS = 32
"""Most units in a bar, and the finest unit (1/32)."""

MIN_QUARTER_BPM, MAX_QUARTER_BPM = 20, 400
"""Slowest and fastest tempo, in quarters a minute."""

NOTE_QUARTERS = {
    "w": Fraction(4),
    "h": Fraction(2),
    "q": Fraction(1),
    "e": Fraction(1, 2),
    "s": Fraction(1, 4),
}
"""Note values that a tempo may count: whole, half, quarter, eighth, sixteenth."""

_METER = re.compile(r"(\d{1,9})\s*/\s*(\d{1,9})\s*(?:\((.*)\))?")
_TEMPO = re.compile(r"(?:([whqes])(\.?)\s*=\s*)?(\d{1,9}(?:\.\d{1,9})?)")
_BEATS = re.compile(r"(\d{1,9})(?:\s+(\d{1,9})/(\d{1,9})|/(\d{1,9})|\.(\d{1,9}))?")


class ValueFault(Exception):  # noqa: N818 - a fault becomes a Problem; it never leaves the parser
    """What is wrong with a value, and how many characters into it."""

    def __init__(self, message: str, offset: int = 0) -> None:
        self.message = message
        self.offset = offset
        super().__init__(message)


def parse_meter(text: str) -> Meter:
    """Parse `meter = n "/" d ["(" n {"+" n} ")"]`.

    >>> parse_meter("7/8 (2+2+3)")
    Meter(numerator=7, denominator=8, groups=(2, 2, 3))
    """
    match = _METER.fullmatch(text.strip())
    if match is None:
        raise ValueFault(f"'{short(text)}' is no meter; write one such as 4/4 or 7/8 (2+2+3)")
    numerator, denominator = int(match[1]), int(match[2])
    if not 1 <= numerator <= MAX_UNITS:
        raise ValueFault(f"a bar of {numerator} units; write 1 to {MAX_UNITS}")
    if denominator not in (1, 2, 4, 8, 16, 32):
        message = f"no note is a 1/{denominator}; below the line write 1, 2, 4, 8, 16 or 32"
        raise ValueFault(message, match.start(2))
    groups: tuple[int, ...] = ()
    if match[3] is not None:
        offset = match.start(3) - 1
        parts = [part.strip() for part in match[3].split("+")]
        if not all(part.isascii() and part.isdigit() and 0 < len(part) < 3 for part in parts):
            raise ValueFault("groups are numbers joined by +, such as (2+2+3)", offset)
        groups = tuple(map(int, parts))
        if 0 in groups:
            raise ValueFault("a group of 0 units; leave it out", offset)
        if sum(groups) != numerator:
            message = f"the groups sum to {sum(groups)}, not {numerator}; make them fill the bar"
            raise ValueFault(message, offset)
    return Meter(numerator, denominator, groups)


def parse_tempo(text: str, meter: Meter | None = None) -> Tempo:
    """Parse `tempo = [("w"|"h"|"q"|"e"|"s") ["."] "="] number`.

    A bare number counts beats of `meter` (its shortest beat when they differ); without a meter the
    note value must be named.

    >>> parse_tempo("q.=60")
    Tempo(unit_quarters=Fraction(3, 2), count=Fraction(60, 1))
    """
    match = _TEMPO.fullmatch(text.strip())
    if match is None or (match[1] is None and meter is None):
        remedy = "write the note and its count a minute, such as q=120"
        raise ValueFault(f"'{short(text)}' is no tempo; {remedy}")
    if match[1] is None and meter is not None:
        unit = min(meter.beat_lengths)
    else:
        unit = NOTE_QUARTERS[match[1]] * (Fraction(3, 2) if match[2] else 1)
    tempo = Tempo(unit, Fraction(match[3]))
    if not MIN_QUARTER_BPM <= tempo.quarter_bpm <= MAX_QUARTER_BPM:
        raise ValueFault(
            f"{_number(tempo.quarter_bpm)} quarters a minute; "
            f"stay between {MIN_QUARTER_BPM} and {MAX_QUARTER_BPM}"
        )
    return tempo


def parse_feel(text: str) -> Feel:
    """Parse `feel = "straight" | "swing" ["eighths"|"sixteenths"] [percent "%"]`.

    >>> parse_feel("swing sixteenths 58%")
    Feel(swing=True, unit_quarters=Fraction(1, 4), share=Fraction(29, 50))
    """
    words = text.lower().split()
    remedy = "write straight, swing, swing 60% or swing sixteenths 58%"
    if words == ["straight"]:
        return Feel()
    if not words or words[0] != "swing" or len(words) > 3:
        raise ValueFault(f"'{short(text)}' is no feel; {remedy}")
    unit, share = Fraction(1, 2), None
    for word in words[1:]:
        if word in ("eighths", "sixteenths"):
            unit = Fraction(1, 2) if word == "eighths" else Fraction(1, 4)
        elif re.fullmatch(r"\d{1,3}(\.\d{1,4})?%", word):
            share = Fraction(word[:-1]) / 100
            if not Fraction(1, 2) <= share <= Fraction(4, 5):
                offset = max(0, text.lower().find(word))
                message = f"the first note takes {word} of the pair; stay between 50% and 80%"
                raise ValueFault(message, offset)
        else:
            offset = max(0, text.lower().find(word))
            raise ValueFault(f"'{short(word)}' is no part of a feel; {remedy}", offset)
    return Feel(True, unit, share)


def parse_beats(text: str) -> Fraction:
    """Parse `beats = n | n "." n | n "/" n | n n "/" n`.

    >>> parse_beats("1 1/2"), parse_beats("2.5")
    (Fraction(3, 2), Fraction(5, 2))
    """
    match = _BEATS.fullmatch(text.strip())
    if match is None or "0" in (match[3], match[4]):
        raise ValueFault(f"'{short(text)}' is no number of beats; write 1, 2 or 1/2")
    if match[4]:
        return Fraction(int(match[1]), int(match[4]))
    if match[5]:
        return Fraction(f"{match[1]}.{match[5]}")
    whole = Fraction(int(match[1]))
    return whole + Fraction(int(match[2]), int(match[3])) if match[2] else whole


def parse_count(text: str, lowest: int, highest: int, noun: str) -> int:
    """Parse `count = n ["bar"|"bars"|"times"]`."""
    match = re.fullmatch(r"(\d{1,20})(?:\s+(?:bars?|times))?", text.strip())
    if match is None:
        raise ValueFault(f"'{short(text)}' is no number of {noun}; write {lowest} to {highest}")
    count = int(match[1])
    if not lowest <= count <= highest:
        raise ValueFault(f"{short(match[1])} {noun}; write {lowest} to {highest}")
    return count


def short(text: str) -> str:
    """Return a quotation from a chart, cut to 40 characters for a message."""
    text = text.strip()
    return text if len(text) <= 40 else text[:37] + "..."


def _number(value: Fraction) -> str:
    return f"{float(value):g}"
