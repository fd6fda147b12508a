"""The one table of chord qualities, and the symbols, labels and kinds that follow from it.

`QUALITIES` names the qualities that have a name of their own; `ALTERATIONS` what may be changed
in them. Parsing (`quality_parser.py`), printing, the Harte label and the MusicXML kind all read
these two tables, so that no two of them can disagree.

A quality is a set of degrees; `normal_form.py` finds the one way in which it is written.

Sources
-------
* Degrees: common practice; C. Brandt and C. Roemer 1976, *Standardized Chord Symbol Notation*
  (from memory) for the meaning of extensions.
* Labels: C. Harte, M. Sandler, S. Abdallah and E. Gomez 2005, "Symbolic representation of musical
  chords: a proposed syntax for text annotations", ISMIR.
* Kinds: MusicXML 4.0, `kind-value` and `degree`.
"""

from functools import cache, lru_cache
from typing import Literal, NamedTuple

from generator.harmony.spelling import Degree
from generator.record import record

__all__ = ["ALTERATIONS", "QUALITIES", "MusicXmlKind", "Quality", "QualityRow"]

_MINOR = ("m", "min", "mi", "-", "Min", "MIN", "Mi", "MI", "minor")
_MAJOR_WORDS = ("maj", "M", "ma", "Maj", "MAJ", "Ma", "MA", "major")
_MAJOR_SEVENTH = (*_MAJOR_WORDS, "j", "Δ", "∆", "△")  # alone, the triangle means the seventh
_DIMINISHED = ("dim", "o", "°", "º", "Dim", "DIM")
_HALF_DIMINISHED = ("ø", "Ø")
_AUGMENTED = ("aug", "+", "Aug", "AUG")
_FAMILIES = {
    "{min}": _MINOR,
    "{triad}": _MAJOR_WORDS,
    "{maj}": _MAJOR_SEVENTH,
    "{delta}": ("Δ", "∆", "△"),
    "{dim}": _DIMINISHED,
    "{half}": _HALF_DIMINISHED,
    "{aug}": _AUGMENTED,
}


@cache
def _degrees(text: str) -> tuple[Degree, ...]:
    return tuple(Degree.parse(name) for name in text.split())


class QualityRow(NamedTuple):
    """One named quality.

    Attributes
    ----------
    symbol : str
        The suffix in normal form.
    degrees : str
        Degrees, space-separated, in the order in which they are listed.
    harte : str
        The Harte shorthand that lies nearest; the label adds and removes what differs.
    kind : str
        The MusicXML 4.0 kind that lies nearest; degrees add, alter and subtract the rest.
    spellings : str
        Other ways to write it, space-separated; a name in braces stands for a family of signs.
    """

    symbol: str
    degrees: str
    harte: str
    kind: str
    spellings: str = ""


QUALITIES = (
    QualityRow("", "1 3 5", "maj", "major", "{triad}"),
    QualityRow("m", "1 b3 5", "min", "minor", "{min}"),
    QualityRow("dim", "1 b3 b5", "dim", "diminished", "{dim}"),
    QualityRow("aug", "1 3 #5", "aug", "augmented", "{aug}"),
    QualityRow("5", "1 5", "5", "power"),
    QualityRow("sus4", "1 4 5", "sus4", "suspended-fourth", "sus Sus Sus4"),
    QualityRow("sus2", "1 2 5", "sus2", "suspended-second", "Sus2"),
    QualityRow("add2", "1 2 3 5", "maj", "major", "2"),
    QualityRow("6", "1 3 5 6", "maj6", "major-sixth", "{triad}6"),
    QualityRow("m6", "1 b3 5 6", "min6", "minor-sixth", "{min}6"),
    QualityRow("6/9", "1 3 5 6 9", "maj6", "major-sixth", "69 {triad}6/9 {triad}69"),
    QualityRow("m6/9", "1 b3 5 6 9", "min6", "minor-sixth", "{min}6/9 {min}69"),
    QualityRow("6sus4", "1 4 5 6", "sus4", "suspended-fourth", "6sus"),
    QualityRow("7", "1 3 5 b7", "7", "dominant", "dom7"),
    QualityRow("maj7", "1 3 5 7", "maj7", "major-seventh", "{maj}7 {delta} ({maj}7)"),
    QualityRow("m7", "1 b3 5 b7", "min7", "minor-seventh", "{min}7"),
    QualityRow(
        "m(maj7)",
        "1 b3 5 7",
        "minmaj7",
        "major-minor",
        "{min}{maj}7 {min}({maj}7) {min}/{maj}7 {min}{delta}",
    ),
    QualityRow("m7b5", "1 b3 b5 b7", "hdim7", "half-diminished", "{half}7 {half}"),
    QualityRow("dim7", "1 b3 b5 bb7", "dim7", "diminished-seventh", "{dim}7"),
    QualityRow("dim(maj7)", "1 b3 b5 7", "dim", "diminished", "{dim}{maj}7 {dim}({maj}7)"),
    QualityRow("7#5", "1 3 #5 b7", "aug", "augmented-seventh", "{aug}7 7+ 7{aug}"),
    QualityRow("maj7#5", "1 3 #5 7", "aug", "augmented", "{aug}{maj}7 {aug}({maj}7) {aug}{delta}"),
    QualityRow("7sus4", "1 4 5 b7", "sus4", "dominant", "7sus 7Sus 7Sus4 sus7"),
    QualityRow("7sus2", "1 2 5 b7", "sus2", "dominant"),
    QualityRow("9", "1 3 5 b7 9", "9", "dominant-ninth", "dom9"),
    QualityRow("maj9", "1 3 5 7 9", "maj9", "major-ninth", "{maj}9 ({maj}9)"),
    QualityRow("m9", "1 b3 5 b7 9", "min9", "minor-ninth", "{min}9"),
    QualityRow(
        "m(maj9)", "1 b3 5 7 9", "minmaj7", "major-minor", "{min}{maj}9 {min}({maj}9) {min}/{maj}9"
    ),
    QualityRow("m9b5", "1 b3 b5 b7 9", "hdim7", "half-diminished", "{half}9"),
    QualityRow("9#5", "1 3 #5 b7 9", "9", "dominant-ninth", "{aug}9 9+"),
    QualityRow("9sus4", "1 4 5 b7 9", "sus4", "dominant-ninth", "9sus 9Sus 9Sus4"),
    QualityRow("11", "1 3 5 b7 9 11", "7", "dominant-11th", "dom11"),
    QualityRow("maj11", "1 3 5 7 9 11", "maj7", "major-11th", "{maj}11"),
    QualityRow("m11", "1 b3 5 b7 9 11", "min7", "minor-11th", "{min}11"),
    QualityRow("m11b5", "1 b3 b5 b7 9 11", "hdim7", "half-diminished", "{half}11"),
    QualityRow("13", "1 3 5 b7 9 13", "7", "dominant-13th", "dom13"),
    QualityRow("maj13", "1 3 5 7 9 13", "maj7", "major-13th", "{maj}13"),
    QualityRow("m13", "1 b3 5 b7 9 11 13", "min7", "minor-13th", "{min}13"),
    QualityRow("13sus4", "1 4 5 b7 9 13", "sus4", "dominant-13th", "13sus 13Sus 13Sus4"),
    QualityRow("7alt", "1 3 b7 b9 #9 b5 b13", "7", "dominant", "alt 7(alt)"),
)


class Alteration(NamedTuple):
    """One change that may follow a quality.

    `action` is "alter" (the degree takes the place of the natural one), "add", "suspend" (takes
    the place of the third), "natural" (add, but only after "(", "," or another change, as in
    `7(13)`) or "omit" (`degree` names the number that goes).
    """

    symbol: str
    action: Literal["alter", "add", "suspend", "natural", "omit"]
    degree: Degree
    spellings: tuple[str, ...] = ()


ALTERATIONS = (
    Alteration("sus4", "suspend", Degree(4), ("sus", "Sus4", "Sus")),
    Alteration("sus2", "suspend", Degree(2), ("Sus2",)),
    Alteration("b5", "alter", Degree(5, -1), ("-5",)),
    Alteration("#5", "alter", Degree(5, 1), ("+5", "+")),
    Alteration("b6", "alter", Degree(6, -1)),
    Alteration("b9", "alter", Degree(9, -1), ("-9",)),
    Alteration("#9", "alter", Degree(9, 1), ("+9",)),
    Alteration("#11", "alter", Degree(11, 1), ("+11",)),
    Alteration("b13", "alter", Degree(13, -1), ("-13",)),
    Alteration("9", "natural", Degree(9)),
    Alteration("11", "natural", Degree(11)),
    Alteration("13", "natural", Degree(13)),
    *(
        Alteration(f"add{name}", "add", Degree.parse(name), (f"Add{name}",))
        for name in ("2", "4", "6", "9", "11", "13", "b5", "#5", "b6", "b9", "#9", "#11", "b13")
    ),
    *(
        Alteration(f"no{number}", "omit", Degree(number), (f"omit{number}", f"no{number}{ending}"))
        for number, ending in ((3, "rd"), (5, "th"), (9, "th"), (11, "th"))
    ),
)


def altered(
    degrees: frozenset[Degree], base: frozenset[Degree], alteration: Alteration
) -> frozenset[Degree]:
    """Return `degrees` with one change made; only naturals of the `base` give way to it."""
    degree = alteration.degree
    if alteration.action == "omit":
        return frozenset(d for d in degrees if d.number != degree.number)
    if alteration.action == "suspend":
        return frozenset(d for d in degrees if d.number != 3) | {degree}
    if alteration.action == "alter":
        return degrees - ({Degree(degree.number)} & base) | {degree}
    return degrees | {degree}


class MusicXmlKind(NamedTuple):
    """The contents of a MusicXML 4.0 `<harmony>` below root and bass.

    `kind` is the kind value, `text` what is printed after the root, `degrees` the `<degree>`
    elements as (value, alter in semitones, "add" | "alter" | "subtract").
    """

    kind: str
    text: str
    degrees: tuple[tuple[int, int, str], ...]


@record
class Quality:
    """A quality in normal form: a row of the table and what is changed in it.

    `symbol` is the suffix; `tones` the set of degrees as written, in which an added fourth is 4.
    """

    symbol: str
    row: QualityRow
    changes: tuple[Alteration, ...]
    tones: frozenset[Degree]

    @property
    def degrees(self) -> tuple[Degree, ...]:
        """Degrees in the order of the table, changes at their place.

        A fourth beside a third is listed as 11, for it is no suspension.

        >>> from generator.harmony.normal_form import normal_form
        >>> quality = normal_form(frozenset(map(Degree.parse, ("1", "3", "5", "13", "b7"))))
        >>> [str(degree) for degree in quality.degrees]
        ['1', '3', '5', 'b7', '13']
        """
        return _in_order(self.row.degrees, self.tones)

    @property
    def harte(self) -> str:
        """The label after the colon, without the bass: "min7", "7(*5,b5)", "maj6(9)"."""
        shorthand = frozenset(_degrees(HARTE_SHORTHANDS[self.row.harte]))
        removed = sorted(shorthand - self.tones, key=by_number)
        added = sorted(self.tones - shorthand, key=by_number)
        parts = [f"*{d}" for d in removed] + [str(d) for d in added]
        return self.row.harte + (f"({','.join(parts)})" if parts else "")

    @property
    def musicxml(self) -> MusicXmlKind:
        """Kind and degrees for a MusicXML 4.0 `<harmony>` element.

        An added seventh is written against the minor seventh, as the standard asks. Suspended
        sevenths are written from the dominant, since readers differ about a seventh that is
        added to a suspension.
        """
        kind = frozenset(_degrees(MUSICXML_KINDS[self.row.kind]))
        removed = {d.number: d for d in kind - self.tones}
        degrees = []
        for degree in sorted(self.tones - kind, key=by_number):
            old = removed.pop(degree.number, None)
            if old is not None:
                degrees.append((degree.number, degree.alteration - old.alteration, "alter"))
            else:
                alter = degree.alteration + (1 if degree.number == 7 else 0)
                degrees.append((degree.number, alter, "add"))
        degrees += [(number, 0, "subtract") for number in sorted(removed)]
        return MusicXmlKind(self.row.kind, self.symbol, tuple(degrees))


@lru_cache(maxsize=1024)
def _in_order(row: str, tones: frozenset[Degree]) -> tuple[Degree, ...]:
    """Return the degrees of a quality in the order of its row, changes at their place."""
    places, reached = [], 0
    for degree in _degrees(row):
        reached = max(reached, degree.number)  # keeps the order in which the row lists them
        if degree in tones:
            places.append((reached, 0, degree))
    held = {degree for _, _, degree in places}
    places += [(d.number, d.alteration, d) for d in tones - held]
    ordered = [degree for *_, degree in sorted(places, key=lambda place: place[:2])]
    has_third = any(degree.number == 3 for degree in ordered)
    return tuple(Degree(11) if d == Degree(4) and has_third else d for d in ordered)


HARTE_SHORTHANDS = {
    "maj": "1 3 5",
    "min": "1 b3 5",
    "dim": "1 b3 b5",
    "aug": "1 3 #5",
    "5": "1 5",
    "sus2": "1 2 5",
    "sus4": "1 4 5",
    "maj6": "1 3 5 6",
    "min6": "1 b3 5 6",
    "7": "1 3 5 b7",
    "maj7": "1 3 5 7",
    "min7": "1 b3 5 b7",
    "minmaj7": "1 b3 5 7",
    "hdim7": "1 b3 b5 b7",
    "dim7": "1 b3 b5 bb7",
    "9": "1 3 5 b7 9",
    "maj9": "1 3 5 7 9",
    "min9": "1 b3 5 b7 9",
}

MUSICXML_KINDS = {
    "major": "1 3 5",
    "minor": "1 b3 5",
    "augmented": "1 3 #5",
    "diminished": "1 b3 b5",
    "power": "1 5",
    "suspended-second": "1 2 5",
    "suspended-fourth": "1 4 5",
    "major-sixth": "1 3 5 6",
    "minor-sixth": "1 b3 5 6",
    "dominant": "1 3 5 b7",
    "major-seventh": "1 3 5 7",
    "minor-seventh": "1 b3 5 b7",
    "major-minor": "1 b3 5 7",
    "diminished-seventh": "1 b3 b5 bb7",
    "augmented-seventh": "1 3 #5 b7",
    "half-diminished": "1 b3 b5 b7",
    "dominant-ninth": "1 3 5 b7 9",
    "major-ninth": "1 3 5 7 9",
    "minor-ninth": "1 b3 5 b7 9",
    "dominant-11th": "1 3 5 b7 9 11",
    "major-11th": "1 3 5 7 9 11",
    "minor-11th": "1 b3 5 b7 9 11",
    "dominant-13th": "1 3 5 b7 9 11 13",
    "major-13th": "1 3 5 7 9 11 13",
    "minor-13th": "1 b3 5 b7 9 11 13",
}


def by_number(degree: Degree) -> tuple[int, int]:
    return degree.number, degree.alteration


@cache
def spellings() -> dict[str, QualityRow]:
    """Return every way to write a row of the table, with the families of signs written out."""
    found: dict[str, QualityRow] = {}
    for row in QUALITIES:
        for pattern in (row.symbol, *row.spellings.split()):
            for text in _written_out(pattern):
                found.setdefault(text, row)
    return found


def _written_out(pattern: str) -> list[str]:
    for family, signs in _FAMILIES.items():
        if family in pattern:
            return [
                text for sign in signs for text in _written_out(pattern.replace(family, sign, 1))
            ]
    return [pattern]


@cache
def alteration_spellings() -> dict[str, Alteration]:
    """Return every way to write a change."""
    return {text: a for a in ALTERATIONS for text in (a.symbol, *a.spellings)}


@cache
def row_degrees(row: QualityRow) -> frozenset[Degree]:
    """Return the degrees of a row as a set."""
    return frozenset(_degrees(row.degrees))
