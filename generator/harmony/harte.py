"""Read chord labels in the syntax of Harte et al. 2005 ("Bb:min7/b3") into chords.

Grammar, after C. Harte, M. Sandler, S. Abdallah and E. Gomez: Symbolic Representation of Musical
Chords, ISMIR 2005, section 4, with the shorthands that the JAMS `chord` namespace adds::

    label     = "N" | "X" | root [":" (shorthand ["(" list ")"] | "(" list ")")] ["/" degree]
    list      = ["*"] degree {"," ["*"] degree}
"""

import re

from generator.errors import ChordError
from generator.harmony.chord import Chord, parse_chord
from generator.harmony.normal_form import normal_form
from generator.harmony.quality import HARTE_SHORTHANDS
from generator.harmony.spelling import Degree, NoteName

__all__ = ["parse_harte"]

_MORE_SHORTHANDS = {
    "": "1 3 5",
    "1": "1",
    "aug7": "1 3 #5 b7",
    "11": "1 3 5 b7 9 11",
    "maj11": "1 3 5 7 9 11",
    "min11": "1 b3 5 b7 9 11",
    "13": "1 3 5 b7 9 11 13",
    "maj13": "1 3 5 7 9 11 13",
    "min13": "1 b3 5 b7 9 11 13",
}
_LABEL = re.compile(r"([A-G][b#]*)(?::([a-z0-9]*)(?:\(([^()]*)\))?)?(?:/([b#]*\d+))?")
_MAX_LENGTH = 64


def parse_harte(label: str) -> Chord | None:
    """Read a label; None for `N` (no chord).

    A bass that is written as a degree becomes a note above the root.

    Raises
    ------
    ChordError
        If the label is malformed, `X` (a chord that no label can name), or no chord symbol has
        its tones.

    Examples
    --------
    >>> parse_harte("C:maj6(9)").symbol, parse_harte("F#:7(*5,b5)").symbol
    ('C6/9', 'F#7b5')
    >>> parse_harte("D:min7/b7").symbol
    'Dm7/C'
    """
    if label == "N":
        return None
    if label == "X":
        raise ChordError("'X' says that the chord has no label: write its symbol by hand")
    match = _LABEL.fullmatch(label) if len(label) <= _MAX_LENGTH else None
    if match is None:
        raise ChordError(f"{label[:24]!r} is no chord label such as C:min7 or C:7(b9)/3")
    name, shorthand, changes, bass = match.groups()
    try:
        tones = _tones(shorthand, changes)
        bass_degree = Degree.parse(bass) if bass else None
    except (KeyError, ValueError) as error:
        raise ChordError(f"{label!r}: {error.args[0]}") from error
    root = NoteName.parse(name)
    quality = normal_form(frozenset(tones))
    if quality is None:
        names = " ".join(str(d) for d in sorted(tones, key=lambda d: (d.number, d.alteration)))
        raise ChordError(f"{label!r}: no chord symbol has the degrees {names}")
    slash = f"/{root.above(bass_degree)}" if bass_degree else ""
    return parse_chord(f"{root}{quality.symbol}{slash}")


def _tones(shorthand: str | None, changes: str | None) -> set[Degree]:
    if shorthand in (None, "") and changes is not None:
        tones = {Degree(1)}
    else:
        table = HARTE_SHORTHANDS | _MORE_SHORTHANDS
        if (shorthand or "") not in table:
            raise KeyError(f"no shorthand {shorthand!r}")
        tones = {Degree.parse(degree) for degree in table[shorthand or ""].split()}
    for change in changes.split(",") if changes else ():
        text = change.strip()
        if text.startswith("*"):
            tones.discard(Degree.parse(text[1:]))
        else:
            tones.add(Degree.parse(text))
    return tones
