"""What a word that is no chord may have been meant as."""

import re

from generator.chart.values import short
from generator.chart.words import as_direction
from generator.errors import ChordError
from generator.harmony.chord import parse_chord

__all__ = ["explain"]

_MEANT = tuple(
    (re.compile(pattern), message)
    for pattern, message in (
        (r"R", "a rest is written r, in lower case"),
        (r"[-–.]?/+[-–.]", "a bar that repeats the one before is written %"),
        (r"[-–.]+", "{word} is no beat; write / to hold the chord, r for a rest"),
        (r"//.*", "a comment starts with ;"),
        (r"%.*", "write % (the bar before) or %% (two bars before), alone in its bar"),
        (
            r"\(?([x×]\d+|\d+[x×])\)?",
            "x and a number stand after :|; close the repeat before it",
        ),
        (r"(\d+(-\d+)?\.)+.*", "an ending stands at the start of a bar; write | before it"),
        (r"\d+/\d+.*", "{word} is no meter; write one such as 3/4 or 7/8 (2+2+3)"),
        (r":.*", "a colon stands beside a bar line only, as in |: and :|; delete it"),
    )
)
"""Whole words, the first that fits; `{word}` stands for the word in quotes."""

_QUALITY = re.compile(r"(dim|aug|add|[^A-Ga-g#♯♭]).*")


def explain(symbol: str, error: ChordError) -> tuple[str, int]:
    """Return what to say of a word that is no chord, and how far into it the fault lies.

    >>> try:
    ...     parse_chord("R")
    ... except ChordError as error:
    ...     explain("R", error)
    ('a rest is written r, in lower case', 0)
    """
    normal = as_direction(symbol)
    if normal is not None:
        return f'{short(symbol)} is a direction; write "{normal}" in quotes', 0
    for pattern, message in _MEANT:
        if pattern.fullmatch(symbol):
            return message.format(word=f"'{short(symbol)}'"), 0
    if symbol.endswith("/"):
        return "a slash for a beat stands alone; put a space before it", len(symbol) - 1
    if _QUALITY.fullmatch(symbol) and _is_chord(f"C{symbol}"):
        return f"'{symbol}' belongs to its root; write no space between, as in C{symbol}", 0
    return str(error), error.offset


def _is_chord(text: str) -> bool:
    try:
        parse_chord(text)
    except ChordError:
        return False
    return True
