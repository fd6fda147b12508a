"""From written bars to cells: what stands in each bar, how wide it must be, what stands around it.

A cell knows nothing about the page. Positions in it are shares of the bar's time, 0 to 1.
"""

from collections.abc import Iterator
from dataclasses import field
from fractions import Fraction
from typing import Literal

from generator.chart.layout import LaidBar, Measure, lay_out
from generator.chart.meter import Meter
from generator.chart.model import (
    Articulation,
    Chart,
    ChordItem,
    Direction,
    MeterItem,
    NoChordItem,
    RestItem,
    SimileItem,
)
from generator.handout.drawing.chord_symbol import (
    Piece,
    chord_pieces,
    chord_width,
    real_accidentals,
)
from generator.handout.drawing.fonts import SANS, SERIF_BOLD, SERIF_ITALIC, advance
from generator.handout.sheet.barlines import Close, bracket_of, close_of, ending_label
from generator.harmony.chord import Chord
from generator.harmony.guidance import guide
from generator.harmony.key import Key
from generator.record import record

__all__ = [
    "CHORD_PT",
    "NO_CHORD_PT",
    "ROMAN_PT",
    "SLASH_PT",
    "TONES_PT",
    "Cell",
    "Element",
    "Extras",
    "Mark",
    "build_cells",
]

CHORD_PT = 21.0
NO_CHORD_PT = 15.0
SLASH_PT = 15.0
ROMAN_PT = 10.0
TONES_PT = 7.5
REST_PT = 20.0
METER_PT = 15.0
GAP_PT = 6.5
_TONES_A_ROW = 5

ElementKind = Literal["chord", "no-chord", "slash", "rest", "simile", "meter"]


@record
class Extras:
    """What stands below the chords besides the dynamics."""

    roman: bool = False
    tones: bool = False


@record
class Element:
    """One thing on the line of the chords; `width_pt` is at full size.

    `quarters` is the length of a rest, `bars_back` belongs to a simile, `meter` to a change of
    meter inside a bar.
    """

    kind: ElementKind
    share: float
    width_pt: float
    pieces: tuple[Piece, ...] = ()
    push_quarters: Fraction = Fraction(0)
    articulation: Articulation = ""
    quarters: Fraction = Fraction(0)
    bars_back: int = 0
    meter: Meter | None = None
    roman: str = ""
    tones: tuple[str, ...] = ()


@record
class Mark:
    """Something above or below a bar: a section's name ("label") or a direction."""

    share: float
    direction: Direction | None
    label: str = ""
    dynamic: str = ""


@record
class Cell:
    """One bar, ready to be placed.

    `ending` is the label of a numbered ending that starts here; `ending_bars` is how many bars
    its bracket spans, `ending_closes` whether it ends in a repeat sign.
    """

    number: int
    elements: tuple[Element, ...]
    above: tuple[Mark, ...] = ()
    below: tuple[Mark, ...] = ()
    meter: Meter | None = None
    opens: bool = False
    close: Close = "single"
    times: int = 2
    ending: str = ""
    ending_first: bool = False
    ending_bars: int = 0
    ending_closes: bool = False
    starts_section: bool = False
    breaks_after: bool = False
    content_pt: float = field(default=0.0)

    @property
    def fixed_pt(self) -> float:
        """Width that does not shrink: margins, repeat signs, the meter."""
        meter = meter_width(self.meter) + 5 if self.meter else 0.0
        return 7.0 + meter + (9.0 if self.opens else 0.0) + self.right_pt

    @property
    def right_pt(self) -> float:
        """Room between the last chord and the bar line."""
        return {"repeat": 17.0, "final": 12.0, "double": 8.0}.get(self.close, 6.0)

    @property
    def is_pickup(self) -> bool:
        """Whether this bar stands before bar 1."""
        return self.number == 0


def meter_width(meter: Meter) -> float:
    """Return the width of a stacked time signature, in points."""
    figures = (str(meter.numerator), str(meter.denominator))
    return max(advance(figure, SERIF_BOLD, METER_PT) for figure in figures)


def build_cells(chart: Chart, extras: Extras) -> tuple[Cell, ...]:
    """Turn every written bar of a chart into a cell, in order."""
    laid = lay_out(chart.sections, chart.meter, chart.pickup_beats).bars
    chords = [
        item.chord for entry in laid for item in entry.bar.items if isinstance(item, ChordItem)
    ]
    following = iter([*chords[1:], None])
    key = chart.key
    cells = []
    for i, entry in enumerate(laid):
        elements, key = _elements(entry, key, following, extras)
        section = chart.sections[entry.section]
        starts = i == 0 or laid[i - 1].section != entry.section
        above, below = _marks(entry)
        if starts and section.name:
            above = (Mark(0.0, None, label=section.name), *above)
        if starts and section.dynamic:
            below = (Mark(0.0, None, dynamic=section.dynamic), *below)
        bars, closes = bracket_of(laid, i)
        cells.append(
            Cell(
                number=entry.bar.number,
                elements=elements,
                above=above,
                below=below,
                meter=_printed_meter(laid, i),
                opens=entry.bar.repeat_opens,
                close=close_of(laid, i),
                times=entry.bar.times,
                ending=ending_label(entry.bar.ending),
                ending_first=1 in entry.bar.ending,
                ending_bars=bars,
                ending_closes=closes,
                starts_section=starts,
                breaks_after=entry.bar.close == "||",
                content_pt=_packed(elements),
            )
        )
    return tuple(cells)


def _packed(elements: tuple[Element, ...]) -> float:
    gaps = GAP_PT * max(0, len(elements) - 1)
    return sum(element.width_pt for element in elements) + gaps


def _elements(
    entry: LaidBar, key: Key, following: Iterator[Chord | None], extras: Extras
) -> tuple[tuple[Element, ...], Key]:
    simile = next((item for item in entry.bar.items if isinstance(item, SimileItem)), None)
    if simile is not None:
        for _, direction in entry.measures[0].directions:
            key = direction.key or key
        width = 18.0 + 6.0 * simile.bars_back
        return (Element("simile", 0.5, width, bars_back=simile.bars_back),), key
    total = sum((measure.length_quarters for measure in entry.measures), Fraction(0))
    start = Fraction(0)
    elements = []
    for number, measure in enumerate(entry.measures):
        if number:
            width = meter_width(measure.meter)
            elements.append(Element("meter", float(start / total), width, meter=measure.meter))
        alone = sum(isinstance(sound.item, ChordItem) for sound in measure.sounds) == 1
        changes = [(onset, mark.key) for onset, mark in measure.directions if mark.key]
        bounds = (*measure.beat_onsets, measure.length_quarters)
        for sound in measure.sounds:
            onset = bounds[sound.beat]
            while changes and changes[0][0] <= onset:
                key = changes.pop(0)[1] or key
            share = float((start + onset) / total)
            item = sound.item
            if isinstance(item, ChordItem):
                elements.append(_chord(item, share, key, next(following), extras, alone))
            elif isinstance(item, NoChordItem):
                width = advance("N.C.", SERIF_BOLD, NO_CHORD_PT)
                elements.append(
                    Element(
                        "no-chord", share, width,
                        push_quarters=item.push_quarters, articulation=item.articulation,
                    )
                )  # fmt: skip
            elif isinstance(item, RestItem):
                length = bounds[sound.beat + sound.beats] - onset
                elements.append(Element("rest", share, 11.0, quarters=length))
            else:
                elements.append(Element("slash", share, 11.0))
        for _, changed in changes:
            key = changed or key
        start += measure.length_quarters
    return tuple(elements), key


def _chord(
    item: ChordItem,
    share: float,
    key: Key,
    following: Chord | None,
    extras: Extras,
    alone: bool,
) -> Element:
    chord = item.chord
    pieces = chord_pieces(chord.root.name, chord.quality, chord.bass.name if chord.bass else None)
    roman = ""
    rows: tuple[str, ...] = ()
    if extras.roman:
        roman = real_accidentals(guide(chord, key, following).roman)
    if extras.tones:
        names = [note.name.replace("b", "♭").replace("#", "♯") for note in chord.notes]
        one_row = alone or len(names) <= _TONES_A_ROW
        each = len(names) if one_row else (len(names) + 1) // 2
        rows = tuple(" ".join(names[i : i + each]) for i in range(0, len(names), each))
    width = max(
        chord_width(pieces, CHORD_PT),
        advance(roman, SERIF_ITALIC, ROMAN_PT),
        *(advance(row, SANS, TONES_PT) for row in rows),
    )
    return Element(
        "chord",
        share,
        width,
        pieces=pieces,
        push_quarters=item.push_quarters,
        articulation=item.articulation,
        roman=roman,
        tones=rows,
    )


def _marks(entry: LaidBar) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    total = sum((measure.length_quarters for measure in entry.measures), Fraction(0))
    start = Fraction(0)
    above: list[Mark] = []
    below: list[Mark] = []
    for measure in entry.measures:
        if measure.meter.groups and _shows(entry, measure):
            groups = "+".join(map(str, measure.meter.groups))
            above.append(Mark(float(start / total), None, dynamic=groups))
        for onset, direction in measure.directions:
            share = float((start + onset) / total)
            if direction.kind in ("cresc", "dim", "dynamic"):
                below.append(Mark(share, direction, dynamic=direction.text))
            else:
                above.append(Mark(share, direction))
        start += measure.length_quarters
    return tuple(above), tuple(below)


def _shows(entry: LaidBar, measure: Measure) -> bool:
    """Whether a meter is written in this bar (or is the first of the chart)."""
    written = any(
        isinstance(item, MeterItem) and item.meter == measure.meter for item in entry.bar.items
    )
    return written or entry.index == 0


def _printed_meter(laid: tuple[LaidBar, ...], i: int) -> Meter | None:
    meter = laid[i].measures[0].meter
    return meter if i == 0 or laid[i - 1].measures[-1].meter != meter else None
