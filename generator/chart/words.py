"""The words of the trade that a chart may hold: directions, and how they are written."""

from fractions import Fraction

from generator.chart.meter import Tempo
from generator.chart.model import DYNAMICS, Direction, DirectionKind, Span
from generator.chart.suggest import did_you_mean
from generator.chart.values import NOTE_QUARTERS, ValueFault, parse_tempo
from generator.errors import KeyNameError
from generator.harmony.key import parse_key

__all__ = ["DIRECTIONS", "JUMPS", "as_direction", "parse_direction", "tempo_text"]

JUMPS = (
    "D.C.", "D.S.", "D.C. al Fine", "D.S. al Fine", "D.C. al Coda", "D.S. al Coda",
)  # fmt: skip
"""Jumps back: da capo and dal segno, plain, to the Fine, to the Coda."""

DIRECTIONS: dict[str, DirectionKind] = {
    "Segno": "segno",
    "Coda": "coda",
    "To Coda": "to-coda",
    "Fine": "fine",
    **dict.fromkeys(JUMPS, "jump"),
    "rit.": "rit",
    "accel.": "accel",
    "a tempo": "a-tempo",
    "cresc.": "cresc",
    "dim.": "dim",
    **dict.fromkeys(DYNAMICS, "dynamic"),
    "stop-time": "stop-time",
}
"""Every fixed direction in its normal form, and its kind."""


def _fold(text: str) -> str:
    return "".join(c for c in text.casefold() if c not in " .-\t")


_IN_FULL = {
    "ritardando": "rit.",
    "ritard.": "rit.",
    "rallentando": "rit.",
    "rall.": "rit.",
    "accelerando": "accel.",
    "crescendo": "cresc.",
    "diminuendo": "dim.",
    "decrescendo": "dim.",
    "decresc.": "dim.",
    **{jump.replace("D.C.", "Da Capo").replace("D.S.", "Dal Segno"): jump for jump in JUMPS},
}
"""The words that are also written in full, or in another form; a chart prints the short one."""

_BY_FOLD = {_fold(text): normal for text, normal in _IN_FULL.items()} | {
    _fold(text): text for text in DIRECTIONS
}


def as_direction(text: str) -> str | None:
    """Return the normal form of a fixed direction, whatever its case and dots; None if it is none.

    >>> as_direction("DS al coda")
    'D.S. al Coda'
    """
    return _BY_FOLD.get(_fold(text))


def parse_direction(text: str, span: Span) -> Direction:
    """Parse `direction = a fixed word | tempo | "Key:" key`.

    Raises
    ------
    ValueFault
        If the words are none of these; the message names the closest.
    """
    normal = as_direction(text)
    if normal is not None:
        kind = DIRECTIONS[normal]
        dynamic = normal if kind == "dynamic" else None
        return Direction(kind, normal, dynamic=dynamic, span=span)
    if "=" in text:
        tempo = parse_tempo(text)
        return Direction("tempo", tempo_text(tempo), tempo=tempo, span=span)
    head, colon, name = text.partition(":")
    if colon and head.strip().casefold() == "key":
        try:
            key = parse_key(name.strip())
        except KeyNameError as error:
            raise ValueFault(str(error), len(head) + 1) from error
        return Direction("key", f"Key: {key.name}", key=key, span=span)
    shown = text.strip() if len(text) <= 40 else text.strip()[:37] + "..."
    hint = did_you_mean(text, DIRECTIONS) or (
        'write one such as "Segno", "D.S. al Coda", "rit.", "q=72", "mf" or "Key: G minor"'
    )
    raise ValueFault(f'"{shown}" is no direction; {hint}')


def tempo_text(tempo: Tempo) -> str:
    """Return a tempo as a chart writes it.

    >>> from fractions import Fraction
    >>> tempo_text(Tempo(Fraction(3, 2), Fraction(60)))
    'q.=60'
    """
    for letter, quarters in NOTE_QUARTERS.items():
        for dots, length in (("", quarters), (".", quarters * 3 / 2)):
            if length == tempo.unit_quarters:
                return f"{letter}{dots}={number_text(tempo.count)}"
    return f"q={number_text(tempo.quarter_bpm)}"


def number_text(value: Fraction) -> str:
    """Return a number without needless zeros."""
    if value.denominator == 1:
        return str(value.numerator)
    return f"{float(value):.9f}".rstrip("0")
