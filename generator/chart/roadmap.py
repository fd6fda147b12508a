"""The road map of a chart: in which order its written bars are played.

Conventions
-----------
* Repeats are played before a jump in or after them is taken: D.C., D.S., To Coda and Fine count
  only in the last pass of a repeat.
* After a jump, repeats that were played already are not taken again, and of their endings the
  last is played (common practice, no source). D.C. goes back to bar 1, not to the pickup.
* `To Coda` counts only after an "al Coda" jump, `Fine` after any jump. A plain D.C. or D.S. is
  taken once. An "al" jump that is met again before anything else jumped would never end.
* With several choruses, jumps are taken in the last one. A section that plays once is part of the
  first chorus when it is an Intro, of the last one otherwise.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from generator.chart.jumps import find_marks, name_stem
from generator.chart.layout import Fault, Layout
from generator.chart.model import PLAYED_ONCE, Chart, Direction
from generator.chart.repeats import Repeat, find_repeats

__all__ = ["MAX_BARS", "Play", "RoadMap", "RoadMapError", "plays_once", "road_map"]

MAX_BARS = 10_000
"""Most bars, written or played."""

MAX_PLAYED_SYMBOLS = 120_000
"""Most chords, slashes and rests when everything is played out."""


class RoadMapError(Exception):
    """The order of play cannot be followed; `fault` says why and where."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(fault.message)


class Play(NamedTuple):
    """One playing of one written bar.

    `bar` is the index of the written bar, `chorus` and `repeat_pass` count from 1. `starts_section`
    is set where a section begins, also when it begins again; `jumped` where the bar does not
    follow the bar before it in the text.
    """

    bar: int
    chorus: int
    repeat_pass: int
    starts_section: bool
    jumped: bool


class RoadMap(NamedTuple):
    """The signs of a chart, found and checked; `plays` follows them."""

    layout: Layout
    section_names: tuple[str, ...]
    pickup: bool
    form: tuple[int, ...]
    repeats: tuple[Repeat, ...]
    marks: dict[str, int]
    faults: tuple[Fault, ...]

    def plays(self, choruses: int) -> Iterator[Play]:
        """Yield the bars in the order of playing.

        Raises
        ------
        RoadMapError
            When there are more than `MAX_BARS`, or when the jumps never end.
        """
        return _Walk(self, choruses).run()


def plays_once(name: str) -> bool:
    """Return whether a section of this name is not repeated by `Choruses`.

    >>> plays_once("Outro 2"), plays_once("A")
    (True, False)
    """
    return name_stem(name) in {once.casefold() for once in PLAYED_ONCE}


def road_map(chart: Chart, layout: Layout) -> RoadMap:
    """Find repeats, endings and jumps in a chart, and what is wrong with them."""
    has_form, pickup = bool(chart.form), bool(chart.pickup_beats)
    repeats, faults = find_repeats(layout.bars, has_form=has_form, pickup=pickup)
    marks, jump_faults = find_marks(chart.sections, layout.bars, has_form=has_form)
    names = tuple(section.name for section in chart.sections)
    form = tuple(names.index(name) for name in chart.form if name in names)
    if form and chart.sections and not names[0]:
        form = (0, *form)  # the pickup
    return RoadMap(
        layout,
        names,
        pickup,
        form,
        repeats,
        marks,
        (*faults, *jump_faults),
    )


class _Walk:
    """One walk through the bars; counts what it yields and keeps the repeats and jumps taken."""

    def __init__(self, roads: RoadMap, choruses: int) -> None:
        self.roads = roads
        self.bars = roads.layout.bars
        self.choruses = choruses
        self.count = 0
        self.symbols = 0
        self.previous = -1
        self.passes: dict[int, int] = {}
        self.chorus = 1
        self.group_at: dict[int, Repeat] = {}
        for repeat in roads.repeats:
            for i in range(repeat.first, repeat.last + 1):
                self.group_at[i] = repeat
        self.signs: dict[int, list[Direction]] = {}
        for laid in self.bars:
            for measure in laid.measures:
                for _, direction in measure.directions:
                    if direction.kind in ("jump", "to-coda", "fine"):
                        self.signs.setdefault(laid.index, []).append(direction)
        self.bounds: dict[int, tuple[int, int]] = {}
        for laid in self.bars:
            start, _ = self.bounds.get(laid.section, (laid.index, 0))
            self.bounds[laid.section] = (start, laid.index + 1)

    def run(self) -> Iterator[Play]:
        """Yield the plays chorus by chorus; the last one takes the jumps."""
        for chorus, stretches in self._choruses():
            if chorus != self.chorus:
                self.chorus, self.passes = chorus, {}
            for number, (start, stop) in enumerate(stretches, 1):
                last = chorus == self.choruses and number == len(stretches)
                yield from self._walk(start, stop, jumps=last and not self.roads.form)

    def _choruses(self) -> Iterator[tuple[int, list[tuple[int, int]]]]:
        """Yield each chorus with its stretches of bars (start, stop)."""
        order = self.roads.form or tuple(range(len(self.roads.section_names)))
        once = [self._is_once(section) for section in order]
        if self.choruses == 1 or all(once):
            self.choruses = 1
            yield 1, self._stretches(order)
            return
        first, last = once.index(False), len(once) - once[::-1].index(False)
        body, inner = order[first:last], once[first:last]
        names = self.roads.section_names
        intros = [name_stem(names[section]) == "intro" for section in body]
        opening = [
            s for s, single, intro in zip(body, inner, intros, strict=True) if not single or intro
        ]
        closing = [
            s
            for s, single, intro in zip(body, inner, intros, strict=True)
            if not single or not intro
        ]
        between = [s for s, single in zip(body, inner, strict=True) if not single]
        yield 1, self._stretches((*order[:first], *opening))
        middle = self._stretches(between, again=True)
        for chorus in range(2, self.choruses):
            yield chorus, middle
        yield self.choruses, self._stretches((*closing, *order[last:]), again=True)

    def _stretches(self, order: Sequence[int], *, again: bool = False) -> list[tuple[int, int]]:
        """Return the bars of sections, those that follow each other in the text joined.

        Under a form every section stays a stretch of its own. `again` leaves a pickup out.
        """
        stretches: list[tuple[int, int]] = []
        for section in order:
            start, stop = self.bounds.get(section, (0, 0))
            if start == 0 and again and self.roads.pickup:
                start = 1
            if stretches and stretches[-1][1] == start and not self.roads.form:
                stretches[-1] = (stretches[-1][0], stop)
            elif start < stop:
                stretches.append((start, stop))
        return stretches

    def _is_once(self, section: int) -> bool:
        only_pickup = self.roads.pickup and self.bounds.get(section) == (0, 1)
        return only_pickup or plays_once(self.roads.section_names[section])

    def _play(self, i: int) -> Play:
        laid = self.bars[i]
        self.count += len(laid.measures)
        self.symbols += sum(len(measure.sounds) for measure in laid.measures)
        if self.count > MAX_BARS or self.symbols > MAX_PLAYED_SYMBOLS:
            what = f"{MAX_BARS} bars"
            if self.count <= MAX_BARS:
                what = f"{MAX_PLAYED_SYMBOLS} chords and beats"
            message = f"over {what} when repeats are played out; repeat less often"
            raise RoadMapError(Fault(laid.bar.span, message))
        self.passes[i] = self.passes.get(i, 0) + 1
        start, _ = self.bounds[laid.section]
        after_pickup = start == 0 and self.roads.pickup and i == 1
        begins = i == start or (after_pickup and self.previous != 0)
        play = Play(
            i,
            self.chorus,
            self.passes[i],
            begins or self.previous < 0 or laid.section != self.bars[self.previous].section,
            i != self.previous + 1,
        )
        self.previous = i
        return play

    def _walk(self, start: int, stop: int, *, jumps: bool) -> Iterator[Play]:
        done: set[int] = set()
        taken: set[int] = set()
        newest: int | None = None
        to_coda = to_fine = False
        group: Repeat | None = None
        turn = 1
        i = start
        while i < stop:
            here = self.group_at.get(i)
            if here is not group:
                group = here
                turn = group.times if group is not None and group.first in done else 1
            bar = self.bars[i].bar
            if group is not None and bar.ending and turn not in bar.ending:
                target = group.ending_for(turn)
                if target is not None and target != i:
                    i = target
                    bar = self.bars[i].bar
            yield self._play(i)
            last_turn = group is None or turn == group.times
            if group is not None and bar.close == ":|" and not last_turn:
                turn += 1
                i = max(group.first, start)
                continue
            if group is not None and last_turn and i == group.last:
                done.add(group.first)
            after = i + 1
            if jumps and last_turn:
                for sign in self.signs.get(i, ()):
                    if sign.kind == "fine" and to_fine:
                        return
                    if sign.kind == "to-coda" and to_coda:
                        after, to_coda = self.roads.marks["coda"], False
                        group = None
                        break
                    if sign.kind == "jump":
                        if i in taken:
                            if newest == i and " al " in sign.text:
                                self._endless(sign)
                            continue
                        taken.add(i)
                        newest = i
                        to_coda = sign.text.endswith("Coda")
                        to_fine = not to_coda
                        start = 0
                        first = 1 if self.roads.pickup and len(self.bars) > 1 else 0
                        after = first if sign.text.startswith("D.C.") else self.roads.marks["segno"]
                        group = None
                        break
            i = after

    @staticmethod
    def _endless(sign: Direction) -> None:
        goal = "Fine" if sign.text.endswith("Fine") else "To Coda"
        remedy = f'put "{goal}" between where it goes back to and here'
        if goal == "To Coda":
            remedy += ", and the Coda behind it"
        message = f'"{sign.text}" never ends: it is met again after its own jump; {remedy}'
        raise RoadMapError(Fault(sign.span, message))
