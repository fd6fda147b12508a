"""MusicXML (3.x and 4.0, plain or compressed): chord symbols, form and rests of the first part.

Read: title, composer, key, meter, tempo, rehearsal marks, dynamics, repeats, endings, words that
are directions of a chart, `<harmony>` with kind, degrees and bass, and rests under a silent band.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from xml.etree.ElementTree import Element

from generator.chart.meter import Meter
from generator.chart.model import DYNAMICS
from generator.chart.values import ValueFault, parse_meter
from generator.chart.words import as_direction
from generator.chordmap.importer.musicxml_file import open_score
from generator.chordmap.importer.musicxml_harmony import harmony_symbol
from generator.chordmap.importer.sheet import Sheet, SheetBar, SheetChord, tempo
from generator.errors import ImportFileError, KeyNameError
from generator.harmony.key import MODES, Key, parse_key
from generator.harmony.spelling import NoteName

__all__ = ["read"]

_NOTE_QUARTERS = {
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
}  # fmt: skip


def read(content: bytes, name: str, *, quarter_bpm: Fraction | None, meter: Meter | None) -> Sheet:
    """Read a MusicXML file; `quarter_bpm` and `meter` stand in where it has none."""
    score = open_score(content)
    part = next((p for p in score.iter("part") if p.find(".//harmony") is not None), None)
    if part is None:
        raise ImportFileError("no <harmony> in any part")
    state = _State(meter=meter or Meter(4, 4))
    parts = len(score.findall("part"))
    if parts > 1:
        state.remarks.append(f"part {part.get('id')}: the only one read of {parts}")
    bars = tuple(_bar(measure, state, i) for i, measure in enumerate(part.findall("measure")))
    return Sheet(
        score.findtext("work/work-title") or score.findtext("movement-title") or name,
        next(
            (
                creator.text or ""
                for creator in score.findall("identification/creator")
                if creator.get("type") == "composer"
            ),
            "",
        ),
        state.first_key,
        state.first_tempo or quarter_bpm or Fraction(120),
        bars,
        tuple(state.remarks),
    )


@dataclass(slots=True)
class _State:
    meter: Meter
    divisions: int = 1
    first_key: str | None = None
    first_tempo: Fraction | None = None
    sounding: str = ""  # the chord that goes on, to be named again after a rest
    silent: bool = False
    remarks: list[str] = field(default_factory=list)


@dataclass(slots=True)
class _Draft:
    """One measure while it is read."""

    place: str
    chords: list[SheetChord] = field(default_factory=list)
    section: str | None = None
    dynamic: str | None = None
    directions: list[str] = field(default_factory=list)
    closing: list[str] = field(default_factory=list)
    repeat_opens: bool = False
    ending: tuple[int, ...] = ()
    closes_repeat: bool = False
    times: int = 2
    position: Fraction = Fraction(0)
    length: Fraction = Fraction(0)


def _bar(measure: Element, state: _State, index: int) -> SheetBar:
    draft = _Draft(f"measure {measure.get('number') or index + 1}")
    for element in measure:
        if element.tag == "attributes":
            _take_attributes(element, state, draft, first=index == 0)
        elif element.tag == "direction":
            _take_direction(element, state, draft)
        elif element.tag == "sound":
            _take_sound(element, state, draft)
        elif element.tag == "harmony":
            _take_harmony(element, state, draft)
        elif element.tag == "note":
            _take_note(element, state, draft)
        elif element.tag in ("backup", "forward"):
            step = _quarters(element.findtext("duration"), state)
            draft.position += step if element.tag == "forward" else -step
            draft.length = max(draft.length, draft.position)
        elif element.tag == "barline":
            _take_barline(element, draft)
    short = 0 < draft.length < state.meter.bar_quarters
    if short and index:
        state.remarks.append(f"{draft.place}: shorter than {state.meter}; written as a whole bar")
    return SheetBar(
        state.meter,
        tuple(sorted(draft.chords, key=lambda chord: chord.onset_quarters)),
        length_quarters=draft.length if short and index == 0 else None,
        section=draft.section,
        dynamic=draft.dynamic,
        directions=tuple(draft.directions),
        closing_directions=tuple(draft.closing),
        repeat_opens=draft.repeat_opens,
        ending=draft.ending,
        closes_repeat=draft.closes_repeat,
        times=draft.times,
    )


def _quarters(duration: str | None, state: _State) -> Fraction:
    try:
        return Fraction(duration or "0") / state.divisions
    except (ValueError, ZeroDivisionError):
        return Fraction(0)


def _take_attributes(element: Element, state: _State, draft: _Draft, *, first: bool) -> None:
    divisions = element.findtext("divisions")
    if divisions and divisions.strip().isdigit() and int(divisions) > 0:
        state.divisions = int(divisions)
    beats, unit = element.findtext("time/beats"), element.findtext("time/beat-type")
    if beats and unit:
        groups = f" ({beats})" if "+" in beats else ""
        try:
            count = sum(int(part) for part in beats.split("+"))
            state.meter = parse_meter(f"{count}/{unit}{groups}")
        except (ValueFault, ValueError):
            state.remarks.append(
                f"{draft.place}: meter {beats}/{unit} cannot be written; {state.meter} stays"
            )
    fifths = element.findtext("key/fifths")
    if fifths is not None:
        key = _key(fifths, element.findtext("key/mode") or "major", state, draft)
        if key and (first or state.first_key is None):
            state.first_key = key
        elif key:
            draft.directions.append(f"Key: {key}")
    if element.find("transpose") is not None:
        state.remarks.append(f"{draft.place}: a transposing part: chords are as written in it")


def _key(fifths: str, mode: str, state: _State, draft: _Draft) -> str | None:
    try:
        mode = mode if mode in MODES else "major"
        name = Key(NoteName.from_fifths(int(fifths) - MODES[mode]), mode).name
        return parse_key(name).name
    except (ValueError, KeyNameError) as error:
        state.remarks.append(f"{draft.place}: key with {fifths} fifths: {error}")
        return None


def _take_direction(element: Element, state: _State, draft: _Draft) -> None:
    for kind in element.iterfind("direction-type/*"):
        if kind.tag == "rehearsal":
            draft.section = (kind.text or "").strip() or None
        elif kind.tag == "dynamics":
            mark = next((child.tag for child in kind), "")
            if mark in DYNAMICS:
                draft.dynamic = mark
            else:
                state.remarks.append(f"{draft.place}: dynamic {mark!r} is not carried over")
        elif kind.tag == "metronome":
            _take_metronome(kind, state, draft)
        elif kind.tag in ("segno", "coda"):
            draft.directions.append(kind.tag.capitalize())
        elif kind.tag == "words":
            _take_words((kind.text or "").strip(), state, draft)
        else:
            state.remarks.append(f"{draft.place}: <{kind.tag}> is not carried over")
    sound = element.find("sound")
    if sound is not None and element.find("direction-type/metronome") is None:
        _take_sound(sound, state, draft)


def _take_metronome(element: Element, state: _State, draft: _Draft) -> None:
    try:
        unit = _NOTE_QUARTERS[element.findtext("beat-unit") or ""]
        if element.find("beat-unit-dot") is not None:
            unit *= Fraction(3, 2)
        marked = tempo(float(unit * Fraction((element.findtext("per-minute") or "").strip())))
    except (KeyError, ValueError):
        state.remarks.append(f"{draft.place}: a metronome mark that cannot be read")
        return
    if state.first_tempo is None:
        state.first_tempo = marked
    else:
        draft.directions.append(f"q={float(marked):g}")


def _take_words(text: str, state: _State, draft: _Draft) -> None:
    direction = as_direction(text)
    if direction is None:
        if text:
            state.remarks.append(f"{draft.place}: words {text[:60]!r} are not carried over")
    elif direction.startswith("D.") or direction in ("Fine", "To Coda"):
        draft.closing.append(direction)
    else:
        draft.directions.append(direction)


def _take_sound(element: Element, state: _State, draft: _Draft) -> None:
    value = element.get("tempo")
    if value is None or state.first_tempo is not None:
        return  # later tempos in the sound only are the curve of a rit. that words name
    try:
        state.first_tempo = tempo(float(value))
    except ValueError:
        state.remarks.append(f"{draft.place}: tempo {value!r} is no number")


def _take_note(element: Element, state: _State, draft: _Draft) -> None:
    if element.find("chord") is not None or element.find("grace") is not None:
        return
    resting = element.find("rest") is not None
    at = draft.position
    draft.position += _quarters(element.findtext("duration"), state)
    draft.length = max(draft.length, draft.position)
    if (element.findtext("voice") or "1") != "1":
        return
    if resting and not _has_harmony(draft, at):
        if not state.silent:
            draft.chords.append(SheetChord(at, "r", place=draft.place))
        state.silent = True
        return
    if state.silent and not resting:
        if not _has_harmony(draft, at) and state.sounding:
            draft.chords.append(SheetChord(at, state.sounding, place=draft.place))
        state.silent = False
    sign = _articulation(element)
    if sign and draft.chords and draft.chords[-1].onset_quarters == at:
        last = draft.chords[-1]
        draft.chords[-1] = SheetChord(at, last.symbol, sign, last.place)


def _has_harmony(draft: _Draft, at: Fraction) -> bool:
    return any(chord.onset_quarters == at for chord in draft.chords)


def _articulation(note: Element) -> str:
    if note.find("notations/articulations/strong-accent") is not None:
        return "^"
    if any(tied.get("type") == "let-ring" for tied in note.iterfind("notations/tied")):
        return "<>"
    return "(.)" if note.find("notations/fermata") is not None else ""


def _take_barline(element: Element, draft: _Draft) -> None:
    ending = element.find("ending")
    if ending is not None and ending.get("type") == "start":
        numbers = (ending.get("number") or "").replace(" ", "").split(",")
        draft.ending = tuple(int(number) for number in numbers if number.isdigit())
    repeat = element.find("repeat")
    if repeat is not None and repeat.get("direction") == "forward":
        draft.repeat_opens = True
    elif repeat is not None:
        draft.closes_repeat = True
        times = repeat.get("times") or "2"
        draft.times = int(times) if times.isdigit() and int(times) >= 2 else 2


def _take_harmony(element: Element, state: _State, draft: _Draft) -> None:
    onset = draft.position + _quarters(element.findtext("offset"), state)
    symbol = harmony_symbol(element, draft.place, state.remarks)
    state.sounding, state.silent = symbol, False
    draft.chords.append(SheetChord(onset, symbol, place=draft.place))
