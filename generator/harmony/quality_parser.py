"""Read the suffix of a chord symbol into a quality.

Grammar, over the tables of `quality.py`::

    quality    = [row] {change | "(" list ")"}
    list       = change {[","] change}

The longest spelling of a row that lets the rest be read wins: `madd9` is `m` and `add9`, not
`ma`. A symbol is at most `MAX_LENGTH` characters, so the work is bounded on any text.
"""

from functools import cache

from generator.errors import ChordError
from generator.harmony.normal_form import normal_form
from generator.harmony.quality import (
    ALTERATIONS,
    QUALITIES,
    Alteration,
    Quality,
    QualityRow,
    alteration_spellings,
    altered,
    row_degrees,
    spellings,
)

__all__ = ["MAX_LENGTH", "read_quality"]

MAX_LENGTH = 64
_LONGEST = 16  # characters in the longest spelling of a row


class _SuffixError(Exception):
    """A reading that fails; `unknown` if it stopped at text that no table knows."""

    def __init__(self, offset: int, message: str, *, unknown: bool = False) -> None:
        super().__init__(message)
        self.offset, self.message, self.unknown = offset, message, unknown


def read_quality(text: str, start: int) -> tuple[Quality, int]:
    """Read a quality from `start`; return it and where it ends (at the end or at a slash).

    Raises
    ------
    ChordError
        If no reading is possible; `offset` is where the best one stops.
    """
    table = spellings()
    worst: _SuffixError | None = None
    for size in range(min(_LONGEST, len(text) - start), -1, -1):
        row = table.get(text[start : start + size])
        if row is None:
            continue
        try:
            return _read_changes(text, start + size, row)
        except _SuffixError as fault:
            if worst is None or fault.offset > worst.offset:
                worst = fault
    assert worst is not None  # the empty spelling is always tried
    message = worst.message
    if worst.unknown:
        message += _nearest(text, start)
    raise ChordError(f"{text!r}: {message}", offset=worst.offset)


def _read_changes(text: str, position: int, row: QualityRow) -> tuple[Quality, int]:
    base = row_degrees(row)
    tones, seen = base, set[Alteration]()
    suspended = "sus" in row.symbol
    opened = -1
    separated = False  # a "(" or "," or another change stands right before
    while position < len(text):
        sign = text[position]
        if sign == "/" and opened < 0:
            break
        if sign == "(" and opened < 0:
            opened, separated = position, True
            position += 1
            continue
        if sign == ")" and opened >= 0:
            if text[position - 1] == "(":
                raise _SuffixError(opened, "nothing stands in the parentheses: drop them")
            opened = -1
            position += 1
            continue
        if sign in ", " and (opened >= 0 or separated):
            separated = True
            position += 1
            continue
        change, size = _read_change(text, position, separated)
        if change in seen:
            raise _SuffixError(position, f"{change.symbol} stands there twice: drop one")
        if change.action == "suspend":
            if suspended:
                raise _SuffixError(position, "two suspensions: pick one, sus2 or sus4")
            suspended = True
        seen.add(change)
        tones = altered(tones, base, change)
        separated = True
        position += size
    if opened >= 0:
        raise _SuffixError(opened, 'this "(" never closes: add ")"')
    quality = normal_form(tones)
    if quality is None:
        raise _SuffixError(position, "these changes leave no chord: drop one of them")
    return quality, position


def _read_change(text: str, position: int, separated: bool) -> tuple[Alteration, int]:
    table = alteration_spellings()
    for size in range(6, 0, -1):
        piece = text[position : position + size]
        change = table.get(piece) if len(piece) == size else None
        if change is not None and (separated or change.action != "natural"):
            return change, size
    rest = text[position:]
    for sign, remedy in _REMEDIES.items():
        if rest.startswith(sign):
            raise _SuffixError(position, remedy)
    raise _SuffixError(position, f"cannot read {rest[:12]!r}", unknown=True)


_REMEDIES = {
    "b4": "there is no b4: b5 or add11?",
    "#4": "there is no #4: write #11",
    "b3": "there is no b3: write m for a minor third",
    "#3": "there is no #3: write sus4",
    "b7": "there is no b7: write 7 for a minor seventh",
    "b2": "there is no b2: write b9",
    "#2": "there is no #2: write #9",
    "b11": "there is no b11: 3 or #11?",
    "#6": "there is no #6: write 7",
    "4": "a 4 alone is unclear: write sus4 or add4",
    "^": "a ^ is a hit and stands last: write maj7 for a major seventh",
    ",": "a comma stands in parentheses only: drop it",
    "es": "write a flat as b",
    "is": "write a sharp as #",
    "s": "write a flat as b, a suspension as sus",
    "flat": "write a flat as b",
    "sharp": "write a sharp as #",
    "add": "after add stands one of 2, 4, 6, 9, 11, 13",
    "#13": "there is no #13: write 7 for a minor seventh",
    ")": 'this ")" closes nothing: drop it or open "("',
    "(": "parentheses inside parentheses: drop the inner ones",
}


def _nearest(text: str, start: int) -> str:
    """Name the nearest quality in normal form, when one is near."""
    from difflib import get_close_matches

    suffix = text[start:].partition("/")[0]
    found = get_close_matches(suffix, _common_symbols(), n=1, cutoff=0.6)
    if found and found[0] != suffix:
        return f"; did you mean {text[:start]}{found[0]}?"
    return "; after the root stands such as m7, maj7, 7b9, sus4, 6/9, dim or nothing"


@cache
def _common_symbols() -> tuple[str, ...]:
    changed = [
        base + change.symbol
        for base in ("", "m", "7", "m7", "maj7")
        for change in ALTERATIONS
        if change.action in ("alter", "add", "omit") and (base or change.action != "alter")
    ]
    return (*(row.symbol for row in QUALITIES if row.symbol), *changed)
