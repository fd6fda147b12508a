"""The chart as written: nothing unfolded, nothing resolved, every element with its place.

A `Chart` holds sections, a section holds bars, a bar holds items in the order of the text.
"""

from dataclasses import field
from fractions import Fraction
from typing import Literal

from generator.chart.meter import Meter, Tempo
from generator.errors import Problem
from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.record import record

__all__ = [
    "DYNAMICS",
    "NOWHERE",
    "PLAYED_ONCE",
    "Articulation",
    "Bar",
    "Chart",
    "ChordItem",
    "Direction",
    "DirectionKind",
    "Feel",
    "Item",
    "MeterItem",
    "NoChordItem",
    "RestItem",
    "Section",
    "SimileItem",
    "SlashItem",
    "Span",
]

DYNAMICS = ("pp", "p", "mp", "mf", "f", "ff")
"""Dynamic marks, soft to loud; their index is the level that the band reads (0 to 5)."""

PLAYED_ONCE = ("Intro", "Outro", "Ending", "Tag", "Coda")
"""Sections that `Choruses` does not repeat (compared without case and trailing digits)."""

Articulation = Literal["", "hit", "ring", "fermata"]
DirectionKind = Literal[
    "segno", "coda", "to-coda", "fine", "jump", "tempo", "rit", "accel", "a-tempo",
    "cresc", "dim", "dynamic", "stop-time", "key",
]  # fmt: skip


@record
class Span:
    """Where an element stands in the text: line and column from 1, length in characters."""

    line: int
    column: int
    length: int = 1


NOWHERE = Span(0, 0, 0)
"""The place of an element that was not read from a text."""


@record
class Feel:
    """How the subdivision is played.

    `unit_quarters` is the swung note (1/2 for eighths, 1/4 for sixteenths), `share` the part of
    the pair that the first note takes (0.5 straight, 2/3 triplets), None for "by tempo".
    """

    swing: bool = False
    unit_quarters: Fraction = Fraction(1, 2)
    share: Fraction | None = None


@record
class ChordItem:
    """A chord symbol. `push_quarters` is how early it sounds: 0, 1/2 (`<`) or 1/4 (`<<`)."""

    chord: Chord
    push_quarters: Fraction = Fraction(0)
    articulation: Articulation = ""
    text: str = field(default="", compare=False)
    span: Span = field(default=NOWHERE, compare=False)


@record
class NoChordItem:
    """`N.C.`: no pitched part sounds, drums go on."""

    push_quarters: Fraction = Fraction(0)
    articulation: Articulation = ""
    span: Span = field(default=NOWHERE, compare=False)


@record
class SlashItem:
    """`/`: the chord before it for one beat more."""

    span: Span = field(default=NOWHERE, compare=False)


@record
class RestItem:
    """`r`: a beat of silence for the whole band."""

    span: Span = field(default=NOWHERE, compare=False)


@record
class SimileItem:
    """`%` (1) or `%%` (2): this bar sounds as the bar that many before it."""

    bars_back: int
    span: Span = field(default=NOWHERE, compare=False)


@record
class MeterItem:
    """A new meter, from this bar on, or from this place on when it stands inside a bar."""

    meter: Meter
    span: Span = field(default=NOWHERE, compare=False)


@record
class Direction:
    """A word of the trade in double quotes.

    `text` is the normal form of the words. `jump` kinds are told apart by it ("D.C.",
    "D.S. al Coda", ...). `tempo`, `dynamic` and `key` are set for the kinds that carry one.
    """

    kind: DirectionKind
    text: str
    tempo: Tempo | None = None
    dynamic: str | None = None
    key: Key | None = None
    span: Span = field(default=NOWHERE, compare=False)


Item = ChordItem | NoChordItem | SlashItem | RestItem | SimileItem | MeterItem | Direction


@record
class Bar:
    """One written bar.

    `number` is the written number (0 for a pickup). `ending` holds the passes of a numbered
    ending that *starts* here, empty otherwise. `repeat_opens` is `|:` before the bar, `close` the
    bar line after it, `times` how often the repeat that closes here is played in all.
    """

    number: int
    items: tuple[Item, ...]
    repeat_opens: bool = False
    ending: tuple[int, ...] = ()
    close: Literal["|", "||", ":|"] = "|"
    times: int = 2
    span: Span = field(default=NOWHERE, compare=False)


@record
class Section:
    """A named stretch of the form; `name` is empty for bars before the first `[...]`."""

    name: str
    bars: tuple[Bar, ...]
    dynamic: str | None = None
    directions: tuple[Direction, ...] = ()
    span: Span = field(default=NOWHERE, compare=False)


@record
class Chart:
    """A whole chart as written.

    `pickup_beats` is how many beats stand before bar 1; `choruses` how often the body is played;
    `form` the play order by section name, or empty; `count_in_bars` the bars counted before the
    music. `source_name` is the file, for messages; `sha256` is of the text as read; `lines` is that
    text and `head_spans` the places of the heads, both for messages only.
    """

    title: str
    key: Key
    meter: Meter
    tempo: Tempo
    sections: tuple[Section, ...]
    composer: str = ""
    feel: Feel | None = None
    style: str | None = None
    pickup_beats: Fraction = Fraction(0)
    choruses: int = 1
    form: tuple[str, ...] = ()
    count_in_bars: int = 1
    source_name: str = field(default="", compare=False)
    sha256: str = field(default="", compare=False)
    lines: tuple[str, ...] = field(default=(), compare=False, repr=False)
    head_spans: tuple[tuple[str, Span], ...] = field(default=(), compare=False, repr=False)

    def problem(self, span: Span, message: str) -> Problem:
        """Return a fault of this chart, with the line it stands in when the text is known."""
        known = 1 <= span.line <= len(self.lines)
        line = self.lines[span.line - 1] if known else ""
        return Problem(self.source_name or "chart", span.line, span.column, message, line)

    def head_span(self, name: str) -> Span:
        """Return the place of a head's value, or the start of the text."""
        return dict(self.head_spans).get(name, Span(1, 1))
