"""The chart unfolded: every bar and chord that sounds, in the order of time.

Times are ticks from tick 0, the start of the track, which is the first beat of the count-in when
there is one. `Timeline.clock` turns them into seconds. Bars, sections and chords each tile the
stretch from `first_tick` (the end of the count-in) to `end_tick` without gap or overlap.
"""

from bisect import bisect_right
from dataclasses import field, replace
from typing import Literal

from generator.chart.meter import Meter
from generator.chart.model import NOWHERE, Articulation, Feel, Span
from generator.clock import Clock
from generator.harmony.chord import Chord
from generator.harmony.key import Key
from generator.harmony.spelling import NoteName
from generator.record import record

__all__ = [
    "ChordKind",
    "DynamicPoint",
    "TempoMark",
    "Timeline",
    "TimelineBar",
    "TimelineChord",
    "TimelineSection",
]

ChordKind = Literal["chord", "no-chord", "rest"]

_NO_KEY = Key(NoteName("C"))


@record
class TimelineBar:
    """One played bar.

    Attributes
    ----------
    index : int
        Place in `Timeline.bars`, from 0.
    number, written : int
        Number as played (a pickup is 0, the first full bar 1) and as written.
    chorus : int
        Which chorus of the body this is, from 1; 1 for charts without choruses.
    repeat_pass : int
        How many times this written bar has been played in this chorus, from 1.
    section : int
        Index into `Timeline.sections`.
    beat_ticks : tuple of int
        Onset of each beat of the meter. A pickup bar holds only its own beats.
    ends_phrase : bool
        Whether the next bar starts a section, or a repeat or a double bar line lies after it.
    """

    index: int
    number: int
    written: int
    chorus: int
    repeat_pass: int
    section: int
    meter: Meter
    key: Key
    start_tick: int
    end_tick: int
    beat_ticks: tuple[int, ...]
    ends_phrase: bool = False


@record
class TimelineChord:
    """What harmony holds from `start_tick` (the written beat) to `end_tick`.

    `sounds_tick` is the sounding onset: earlier than `start_tick` for a push, equal otherwise.
    `chord` is None for `no-chord` and `rest`. `articulation` as in the chart: after a "hit" the
    band is silent to `end_tick`; under "ring" it strikes once and holds; a "fermata" is held
    (the clock already slows down under it). `bar` indexes `Timeline.bars`; `beat` counts from 1
    and may be fractional. A chord that goes on over a bar line is one element.
    """

    kind: ChordKind
    chord: Chord | None
    key: Key
    bar: int
    beat: float
    start_tick: int
    end_tick: int
    sounds_tick: int
    articulation: Articulation = ""
    span: Span = NOWHERE


@record
class TimelineSection:
    """One played section; `repeat_pass` counts the plays of the same name, from 1."""

    index: int
    label: str
    repeat_pass: int
    chorus: int
    first_bar: int
    last_bar: int
    start_tick: int
    end_tick: int
    dynamic: str


@record
class DynamicPoint:
    """From `tick` on the level is `level` (0 pp to 5 ff); `ramps` to the next point if set."""

    tick: int
    level: float
    ramps: bool = False


@record
class TempoMark:
    """A word about the tempo, for print and for the map: "rit.", "a tempo", "q=72"."""

    tick: int
    text: str


@record
class Timeline:
    """A chart in the order in which it is heard.

    `stops` are stretches (start, end) marked stop-time: the band strikes only where a chord or a
    bar starts, and is silent between. `bar_at`, `chord_at` and `level_at` are logarithmic.
    """

    title: str
    composer: str
    key: Key
    meter: Meter
    feel: Feel | None
    style: str | None
    chart_sha256: str
    clock: Clock
    count_in_ticks: tuple[int, ...]
    first_tick: int
    end_tick: int
    bars: tuple[TimelineBar, ...]
    chords: tuple[TimelineChord, ...]
    sections: tuple[TimelineSection, ...]
    dynamics: tuple[DynamicPoint, ...]
    stops: tuple[tuple[int, int], ...] = ()
    tempo_marks: tuple[TempoMark, ...] = ()
    choruses: int = 1
    # For the look-ups: where each bar, chord and dynamic point but the first one starts.
    _bar_ticks: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _chord_ticks: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _level_ticks: tuple[int, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        keep = object.__setattr__  # the way to fill a frozen record
        keep(self, "_bar_ticks", tuple(bar.start_tick for bar in self.bars[1:]))
        keep(self, "_chord_ticks", tuple(chord.start_tick for chord in self.chords[1:]))
        keep(self, "_level_ticks", tuple(point.tick for point in self.dynamics[1:]))

    def without_harmony(self) -> "Timeline":
        """Return the same bars, strikes and dynamics in no key: what drums go by.

        Two keys of one chart at one tempo give the same.
        """
        return replace(
            self,
            title="",
            composer="",
            key=_NO_KEY,
            chart_sha256="",
            bars=tuple(replace(bar, key=_NO_KEY) for bar in self.bars),
            chords=tuple(
                replace(chord, chord=None, key=_NO_KEY, span=NOWHERE) for chord in self.chords
            ),
        )

    def bar_at(self, tick: int) -> TimelineBar:
        """Return the bar that holds `tick`; the nearest one outside the music."""
        return self.bars[bisect_right(self._bar_ticks, tick)]

    def chord_at(self, tick: int) -> TimelineChord:
        """Return the chord written at `tick`; the nearest one outside the music."""
        return self.chords[bisect_right(self._chord_ticks, tick)]

    def level_at(self, tick: int) -> float:
        """Return the dynamic level at `tick`, 0 (pp) to 5 (ff), ramps included."""
        i = bisect_right(self._level_ticks, tick)
        point = self.dynamics[i]
        if not point.ramps or i + 1 == len(self.dynamics):
            return point.level
        after = self.dynamics[i + 1]
        share = max(0.0, (tick - point.tick) / (after.tick - point.tick))
        return point.level + share * (after.level - point.level)
