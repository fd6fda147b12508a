"""`<harmony>` of MusicXML as a chord symbol: its kind and degrees, by the table of qualities."""

from collections.abc import Iterator
from xml.etree.ElementTree import Element

from generator.errors import ChordError
from generator.harmony.chord import parse_chord
from generator.harmony.normal_form import normal_form
from generator.harmony.quality import MUSICXML_KINDS
from generator.harmony.spelling import Degree, NoteName

__all__ = ["harmony_symbol"]

_MORE_KINDS = {
    "dominant-13th": "1 3 5 b7 9 11 13",
    "major-13th": "1 3 5 7 9 11 13",
    "pedal": "1",
}


def harmony_symbol(element: Element, place: str, remarks: list[str]) -> str:
    """Return the chord symbol of a `<harmony>`; `N.C.` with a remark if there is none."""
    kind = (element.findtext("kind") or "").strip()
    if kind == "none":
        return "N.C."
    root = _note_name(element, "root")
    bass = _note_name(element, "bass")
    if root is None:
        remarks.append(f"{place}: a <harmony> without a root; N.C. written")
        return "N.C."
    slash = f"/{bass}" if bass else ""
    try:
        tones = frozenset(_tones(kind, element))
        quality = normal_form(tones)
        if quality is None:
            names = " ".join(str(d) for d in sorted(tones, key=lambda d: d.number))
            raise ChordError(f"no chord symbol has the degrees {names}")
        return parse_chord(f"{root}{quality.symbol}{slash}").symbol
    except ChordError as error:
        text = element.find("kind")
        printed = (text.get("text") or "") if text is not None else ""
        try:  # what is printed may be a symbol that says more than the kind
            found = parse_chord(f"{root}{printed}{slash}").symbol if printed else None
        except ChordError:
            found = None
        if found is None:
            remarks.append(f"{place}: {root} {kind!r}: {error}; N.C. written")
            return "N.C."
        remarks.append(f"{place}: {root} {kind!r}: read as printed, {found}")
        return found


def _tones(kind: str, element: Element) -> Iterator[Degree]:
    """Yield the degrees of a kind with its changes made."""
    table = MUSICXML_KINDS | _MORE_KINDS
    if kind not in table:
        raise ChordError(f"kind {kind[:30]!r} has no degrees")
    held = [Degree.parse(name) for name in table[kind].split()]
    for change in element.iterfind("degree"):
        try:
            number = int(change.findtext("degree-value") or "")
            alter = int(float(change.findtext("degree-alter") or "0"))
        except ValueError as error:
            raise ChordError("a degree that is no number") from error
        action = change.findtext("degree-type")
        same = [degree for degree in held if degree.number == number]
        if action == "add":  # against the dominant chord: its seventh is minor
            held.append(Degree(number, alter - (1 if number == 7 else 0)))
        elif not same:
            raise ChordError(f"no degree {number} to {action}")
        else:
            held.remove(same[0])
            if action == "alter":
                held.append(Degree(number, same[0].alteration + alter))
    yield from held


def _note_name(element: Element, tag: str) -> NoteName | None:
    step = (element.findtext(f"{tag}/{tag}-step") or "").strip()
    if step not in tuple("ABCDEFG"):
        return None
    try:
        return NoteName(step, int(float(element.findtext(f"{tag}/{tag}-alter") or "0")))
    except ValueError:
        return None
