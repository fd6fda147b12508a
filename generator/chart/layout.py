"""Bars in time: the items of each written bar at their onsets, in quarters from the bar line.

Rules
-----
* With a slash or a rest in the bar, every chord, slash, rest and `N.C.` takes one beat, and the
  beats must fill the bar. Without, the chords share the beats of the bar evenly.
* A meter inside a bar starts a new *measure* there: each stretch fills its own meter, and the
  band plays them one after the other as bars of their own.
* `%` and `%%` sound as the bar that stands so many bars before in the text.
* A direction holds from the symbol after it. Behind the last symbol it holds from the bar line,
  except the gradual ones (rit., accel., cresc., dim.), which start with that last symbol.
"""

from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from generator.chart.meter import Meter
from generator.chart.model import (
    Bar,
    ChordItem,
    Direction,
    MeterItem,
    NoChordItem,
    RestItem,
    Section,
    SimileItem,
    SlashItem,
    Span,
)
from generator.record import record

__all__ = ["Fault", "LaidBar", "Layout", "Measure", "Sound", "lay_out"]

Sounding = ChordItem | NoChordItem | SlashItem | RestItem
GRADUAL = frozenset({"rit", "accel", "cresc", "dim"})


class Fault(NamedTuple):
    """A message about a place in the text."""

    span: Span
    message: str


class Sound(NamedTuple):
    """An item that takes time, from a beat of its measure (from 0) for a number of beats."""

    beat: int
    beats: int
    item: Sounding


class Measure(NamedTuple):
    """A stretch in one meter: a whole bar, or the part of a bar between two meters.

    `beat_onsets` and `length_quarters` are the meter's, except in a pickup.
    """

    meter: Meter
    length_quarters: Fraction
    beat_onsets: tuple[Fraction, ...]
    sounds: tuple[Sound, ...]
    directions: tuple[tuple[Fraction, Direction], ...] = ()


@record
class LaidBar:
    """One written bar in time. `index` counts the bars of the chart from 0, `section` sections."""

    index: int
    section: int
    bar: Bar
    measures: tuple[Measure, ...]


class Layout(NamedTuple):
    """Every written bar in order, and what is wrong with them."""

    bars: tuple[LaidBar, ...]
    faults: tuple[Fault, ...]


@lru_cache(maxsize=64)
def _beats(meter: Meter) -> tuple[tuple[Fraction, ...], tuple[Fraction, ...]]:
    return meter.beat_onsets, meter.beat_lengths


def pickup_beats(
    meter: Meter, beats: Fraction
) -> tuple[tuple[Fraction, ...], tuple[Fraction, ...]]:
    """Return onsets and lengths in quarters of the last `beats` beats of a meter, from 0.

    >>> [str(length) for length in pickup_beats(Meter(7, 8), Fraction(3, 2))[1]]
    ['1/2', '3/2']
    """
    whole = int(beats)
    all_lengths = meter.beat_lengths
    lengths = all_lengths[len(all_lengths) - whole :] if whole else ()
    part = beats - whole
    if part:
        lengths = (all_lengths[len(all_lengths) - whole - 1] * part, *lengths)
    onsets, at = [], Fraction(0)
    for length in lengths:
        onsets.append(at)
        at += length
    return tuple(onsets), tuple(lengths)


def lay_out(
    sections: Iterable[Section],
    meter: Meter,
    pickup: Fraction = Fraction(0),
    *,
    faulty: frozenset[int] = frozenset(),
) -> Layout:
    """Lay every bar of a chart out in time.

    Parameters
    ----------
    sections : iterable of Section
        As written.
    meter : Meter
        The meter at the start.
    pickup : Fraction
        Beats of the first bar when it is a pickup, else 0.
    faulty : frozenset of int
        Indices of bars whose text already had problems: their beats are not judged.
    """
    worker = _Worker(meter, pickup, faulty)
    for number, section in enumerate(sections):
        for position, bar in enumerate(section.bars):
            extra = section.directions if position == 0 else ()
            worker.add(number, bar, extra)
    return Layout(tuple(worker.bars), tuple(worker.faults))


class _Worker:
    def __init__(self, meter: Meter, pickup: Fraction, faulty: frozenset[int]) -> None:
        self.meter = meter
        self.pickup = pickup
        self.faulty = faulty
        self.bars: list[LaidBar] = []
        self.faults: list[Fault] = []
        self.has_chord = False
        self.last_length: Fraction | None = None

    def add(self, section: int, bar: Bar, extra: tuple[Direction, ...]) -> None:
        index = len(self.bars)
        simile = next((item for item in bar.items if isinstance(item, SimileItem)), None)
        if simile is not None:
            measures = self._simile(index, bar, simile)
        else:
            measures = self._measures(index, bar)
        if extra and measures:
            first = measures[0]
            marks = tuple((Fraction(0), direction) for direction in extra)
            measures = (first._replace(directions=marks + first.directions), *measures[1:])
        self.bars.append(LaidBar(index, section, bar, measures))

    def _fault(self, span: Span, message: str) -> None:
        self.faults.append(Fault(span, message))

    def _simile(self, index: int, bar: Bar, simile: SimileItem) -> tuple[Measure, ...]:
        sign = "%" * simile.bars_back
        for item in bar.items:
            if isinstance(item, MeterItem):
                self.meter = item.meter
            elif not isinstance(item, SimileItem | Direction):
                self._fault(item.span, f"{sign} stands alone in its bar; drop one of the two")
                return self._empty()
            elif isinstance(item, SimileItem) and item is not simile:
                self._fault(item.span, f"one {sign} fills the bar; drop this one")
                return self._empty()
        if index < simile.bars_back:
            which = "bar" if simile.bars_back == 1 else "second bar"
            message = f"no {which} before this one to repeat with {sign}; write its chords"
            self._fault(simile.span, message)
            return self._empty()
        before = self.bars[index - simile.bars_back]
        if index - simile.bars_back in self.faulty or not before.measures[0].sounds:
            return self._empty()
        length = sum((m.length_quarters for m in before.measures), Fraction(0))
        first = before.measures[0].meter
        if first != self.meter or length != sum(
            (m.meter.bar_quarters for m in before.measures), Fraction(0)
        ):
            message = (
                f"{sign} repeats a bar of another length or meter; write the chords of this bar"
            )
            self._fault(simile.span, message)
            return self._empty()
        marks = tuple((Fraction(0), item) for item in bar.items if isinstance(item, Direction))
        self.meter = before.measures[-1].meter
        last = before.measures[-1]
        self.last_length = last.length_quarters - last.beat_onsets[-1]
        copied = tuple(measure._replace(directions=()) for measure in before.measures)
        return (copied[0]._replace(directions=marks), *copied[1:])

    def _empty(self) -> tuple[Measure, ...]:
        return (Measure(self.meter, self.meter.bar_quarters, self.meter.beat_onsets, ()),)

    def _measures(self, index: int, bar: Bar) -> tuple[Measure, ...]:
        stretches: list[tuple[Meter, list[Sounding | Direction], Span]] = []
        items: list[Sounding | Direction] = []
        for item in bar.items:
            if isinstance(item, MeterItem):
                if any(not isinstance(earlier, Direction) for earlier in items):
                    stretches.append((self.meter, items, item.span))
                    items = []
                self.meter = item.meter
            elif not isinstance(item, SimileItem):
                items.append(item)
        stretches.append((self.meter, items, self._close_span(bar)))
        return tuple(
            self._measure(index, meter, tuple(part), end, first=number == 0)
            for number, (meter, part, end) in enumerate(stretches)
        )

    @staticmethod
    def _close_span(bar: Bar) -> Span:
        return Span(bar.span.line, bar.span.column + bar.span.length)

    def _measure(
        self,
        index: int,
        meter: Meter,
        items: tuple[Sounding | Direction, ...],
        end: Span,
        *,
        first: bool,
    ) -> Measure:
        onsets, lengths = _beats(meter)
        if index == 0 and first and self.pickup:
            onsets, lengths = pickup_beats(meter, self.pickup)
        total = onsets[-1] + lengths[-1]
        sounding = tuple(item for item in items if not isinstance(item, Direction))
        if index in self.faulty:
            self._remember(sounding, lengths[-1])
            self.has_chord = True  # what could not be read may have been one
            return Measure(meter, total, onsets, ())
        if isinstance(next(iter(sounding), None), SlashItem) and not self.has_chord:
            self._fault(sounding[0].span, "no chord yet for this / to hold; write a chord first")
            self._remember(sounding, lengths[-1])
            self.has_chord = True
            return Measure(meter, total, onsets, ())
        counts = self._beat_counts(meter, sounding, len(lengths), end)
        if counts is None:
            self._remember(sounding, lengths[-1])
            return Measure(meter, total, onsets, ())
        bounds = (*onsets, total)
        starts, beat = [], 0
        for count in counts:
            starts.append(beat)
            beat += count
        sounds = tuple(map(Sound, starts, counts, sounding))
        self._check_sounds(sounds, bounds)
        marks = self._place(items, sounds, bounds)
        return Measure(meter, total, onsets, sounds, marks)

    def _remember(self, sounding: tuple[Sounding, ...], length: Fraction) -> None:
        self.last_length = length
        if any(isinstance(item, ChordItem | NoChordItem) for item in sounding):
            self.has_chord = True

    def _beat_counts(
        self, meter: Meter, sounding: tuple[Sounding, ...], beats: int, end: Span
    ) -> tuple[int, ...] | None:
        """Return how many beats each item takes, or None after reporting why it cannot be."""
        n = len(sounding)
        if n == 0:
            self._fault(end, "empty bar; write % to repeat the bar before, or N.C.")
            return None
        if not any(isinstance(item, SlashItem | RestItem) for item in sounding):
            if n > beats or beats % n:
                message = f"{n} chords can't share the {_plural(beats)} of {meter} evenly; "
                remedy = "add / so that each beat is written"
                if n > beats:
                    remedy = "write at most one chord a beat (< plays one an eighth early)"
                self._fault(sounding[0].span, message + remedy)
                return None
            return (beats // n,) * n
        if n > beats:
            message = (
                f"beat {beats + 1} in a bar of {_plural(beats)} ({meter}); "
                f"drop it or write {_longer(meter)}"
            )
            self._fault(sounding[beats].span, message)
            return None
        if n < beats:
            missing = beats - n
            message = f"the bar is {_plural(missing)} short of {meter}; add / or r"
            self._fault(end, message)
            return None
        return (1,) * n

    def _check_sounds(self, sounds: tuple[Sound, ...], bounds: tuple[Fraction, ...]) -> None:
        before = self.last_length
        for sound in sounds:
            item = sound.item
            if isinstance(item, SlashItem):
                if not self.has_chord:  # after a rest
                    message = "no chord yet for this / to hold; write a chord first"
                    self._fault(item.span, message)
            elif not isinstance(item, RestItem):
                self.has_chord = True
                if item.push_quarters:
                    if sound.beat:
                        before = bounds[sound.beat] - bounds[sound.beat - 1]
                    self._check_push(item, before)
        last = sounds[-1]
        self.last_length = bounds[-1] - bounds[last.beat + last.beats - 1]

    def _check_push(self, item: ChordItem | NoChordItem, before: Fraction | None) -> None:
        """Check that a push has something before it, and leaves some of it."""
        if before is None:
            message = "a push needs something before it; drop the < on the first chord"
            self._fault(item.span, message)
        elif item.push_quarters >= before:
            message = "this push takes the whole beat before it; write << or move the chord"
            self._fault(item.span, message)

    @staticmethod
    def _place(
        items: tuple[Sounding | Direction, ...],
        sounds: tuple[Sound, ...],
        bounds: tuple[Fraction, ...],
    ) -> tuple[tuple[Fraction, Direction], ...]:
        placed: list[tuple[Fraction, Direction]] = []
        done = 0
        for item in items:
            if not isinstance(item, Direction):
                done += 1
            elif done < len(sounds):
                placed.append((bounds[sounds[done].beat], item))
            else:
                gradual = item.kind in GRADUAL
                placed.append((bounds[sounds[-1].beat] if gradual else bounds[-1], item))
        placed.sort(key=lambda pair: pair[0])  # a gradual one may have moved back
        return tuple(placed)


def _plural(beats: int) -> str:
    return f"{beats} beat" if beats == 1 else f"{beats} beats"


def _longer(meter: Meter) -> str:
    if meter.groups:
        return f"{meter.numerator + meter.groups[-1]}/{meter.denominator}"
    unit = 3 if meter.is_compound else 1
    return f"{meter.numerator + unit}/{meter.denominator}"
