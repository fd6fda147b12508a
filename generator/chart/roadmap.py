"""The road map of a chart: in which order its written bars are played.

Conventions
-----------
* A `:|` without `|:` goes back to the start of its section (after a pickup).
* Repeats are played before a jump in or after them is taken: D.C., D.S., To Coda and Fine count
  only in the last pass of a repeat.
* After a jump, repeats that were played already are not taken again, and of their endings the
  last is played (common practice, no source). D.C. goes back to bar 1, not to the pickup.
* `To Coda` counts only after an "al Coda" jump, `Fine` after any jump. A plain D.C. or D.S. is
  taken once. An "al" jump that is met again before anything else jumped would never end.
* With several choruses, jumps are taken in the last one. A section that plays once is part of the
  first chorus when it is an Intro, of the last one otherwise.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from generator.chart.layout import Fault, LaidBar, Layout
from generator.chart.model import PLAYED_ONCE, Chart, Direction, Section, Span

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


@dataclass(frozen=True, slots=True)
class Play:
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


@dataclass(slots=True)
class _Repeat:
    first: int
    opened: Span
    times: int = 2
    last: int = -1
    endings: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    awaiting: Span | None = None
    """The `:|` of the ending before, while the next ending must follow."""

    def ending_for(self, number: int) -> int | None:
        return next((bar for bar, passes in self.endings if number in passes), None)


@dataclass(frozen=True, slots=True)
class RoadMap:
    """The signs of a chart, found and checked; `plays` follows them."""

    layout: Layout
    section_names: tuple[str, ...]
    pickup: bool
    form: tuple[int, ...]
    repeats: tuple[_Repeat, ...]
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
    return _stem(name) in {once.casefold() for once in PLAYED_ONCE}


def _stem(name: str) -> str:
    return name.strip().casefold().rstrip("0123456789").rstrip()


def road_map(chart: Chart, layout: Layout) -> RoadMap:
    """Find repeats, endings and jumps in a chart, and what is wrong with them."""
    reader = _Reader(chart.sections, layout, bool(chart.form), bool(chart.pickup_beats))
    reader.repeats()
    marks = reader.marks()
    names = tuple(section.name for section in chart.sections)
    form = tuple(names.index(name) for name in chart.form if name in names)
    if form and chart.sections and not names[0]:
        form = (0, *form)  # the pickup
    return RoadMap(
        layout,
        names,
        bool(chart.pickup_beats),
        form,
        tuple(reader.found),
        marks,
        tuple(reader.faults),
    )


class _Reader:
    def __init__(
        self, sections: tuple[Section, ...], layout: Layout, has_form: bool, pickup: bool
    ) -> None:
        self.sections = sections
        self.bars = layout.bars
        self.has_form = has_form
        self.pickup = pickup
        self.found: list[_Repeat] = []
        self.faults: list[Fault] = []

    def _fault(self, span: Span, message: str) -> None:
        self.faults.append(Fault(span, message))

    # -- repeats and endings -------------------------------------------------------------------

    def repeats(self) -> None:
        current: _Repeat | None = None
        section, start, closed = -1, 0, False
        for laid in self.bars:
            bar, i = laid.bar, laid.index
            if laid.section != section:
                if current is not None and (self.has_form or current.endings):
                    self._finish(current, "in its section ")
                    current = None
                section, closed = laid.section, False
                start = i + 1 if i == 0 and self.pickup else i
            if current is not None and current.awaiting is not None and not bar.ending:
                self._finish(current)
                current = None
            if bar.repeat_opens:
                if current is not None:
                    if current.endings:
                        self._finish(current)
                    else:
                        message = "a repeat inside a repeat; close the one before with :| first"
                        self._fault(bar.span, message)
                current = _Repeat(i, bar.span)
            if bar.ending:
                current = self._ending(laid, current, start, closed)
            if bar.close == ":|":
                current = self._close(laid, current, start, closed)
                closed = True
            elif bar.close == "||" and current is not None and current.endings:
                self._finish(current)
                current = None
        if current is not None:
            self._finish(current)

    def _ending(
        self, laid: LaidBar, current: _Repeat | None, start: int, closed: bool
    ) -> _Repeat | None:
        bar = laid.bar
        sign = Span(bar.span.line, bar.span.column)
        if current is None:
            if 1 not in bar.ending or closed:
                first = bar.ending[0]
                message = f"no first ending before this ending {first}; write 1. and its :| first"
                if first == 1:
                    message = "ending 1 stands in no repeat; open the repeat with |:"
                self._fault(sign, message)
                return None
            current = _Repeat(start, bar.span)
        expected = max((p for _, passes in current.endings for p in passes), default=0) + 1
        if bar.ending[0] != expected or (current.awaiting is None and current.endings):
            if current.endings and current.awaiting is None:
                message = f"the ending before ending {bar.ending[0]} is not closed; end it with :|"
            elif expected == 1:
                message = "no first ending before this one; write 1. and its :| first"
            else:
                message = f"ending {expected} must follow here; got ending {bar.ending[0]}"
            self._fault(sign, message)
        current.endings.append((laid.index, bar.ending))
        current.awaiting = None
        return current

    def _close(
        self, laid: LaidBar, current: _Repeat | None, start: int, closed: bool
    ) -> _Repeat | None:
        bar = laid.bar
        sign = _close_span(laid)
        if current is None:
            if closed:
                message = "this :| has no |: to go back to; write |: where the repeat starts"
                self._fault(sign, message)
                return None
            current = _Repeat(start, bar.span)
        current.last = laid.index
        if current.endings:
            if bar.times != 2:
                message = "the endings say how often this is played; drop the x"
                self._fault(sign, message)
            current.awaiting = sign
            return current
        current.times = bar.times
        self.found.append(current)
        return None

    def _finish(self, current: _Repeat, where: str = "") -> None:
        """End a repeat that is still open: fine in its last ending, a fault otherwise."""
        passes = [p for _, numbers in current.endings for p in numbers]
        if not current.endings:
            message = f"this repeat never closes {where}".rstrip() + "; write :| where it ends"
            self._fault(current.opened, message)
        elif current.awaiting is not None:
            number = max(passes) + 1
            message = f"ending {number} is missing after this :|; write {number}. after it"
            self._fault(current.awaiting, message)
        elif len(current.endings) == 1:
            bar = self.bars[current.endings[0][0]].bar
            message = "ending 1 goes nowhere; close it with :| and write ending 2. after it"
            self._fault(Span(bar.span.line, bar.span.column), message)
        else:
            current.times = max(passes)
            current.last = max(current.last, current.endings[-1][0])
            self.found.append(current)

    # -- jumps -----------------------------------------------------------------------------------

    def marks(self) -> dict[str, int]:
        places: dict[str, list[tuple[int, Direction]]] = {}
        for laid in self.bars:
            for measure in laid.measures:
                for _, direction in measure.directions:
                    kind = direction.kind
                    places.setdefault(kind, []).append((laid.index, direction))
        jumps = places.get("jump", [])
        if self.has_form:
            for kind in ("jump", "to-coda", "fine", "segno", "coda"):
                for _, direction in places.get(kind, []):
                    message = (
                        f'"{direction.text}" and a Form head both say the order; '
                        "drop the one or the other"
                    )
                    self._fault(direction.span, message)
            return {}
        marks: dict[str, int] = {}
        for kind in ("segno", "coda"):
            for index, direction in places.get(kind, []):
                if kind in marks:
                    message = f'a second "{direction.text}"; keep one'
                    self._fault(direction.span, message)
                marks.setdefault(kind, index)
        if "coda" not in marks:
            coda = self._coda_section()
            if coda is not None:
                marks["coda"] = coda
        self._check_jumps(places, jumps, marks)
        return marks

    def _coda_section(self) -> int | None:
        for laid in self.bars:
            if _stem(self.sections[laid.section].name) == "coda":
                return laid.index
        return None

    def _check_jumps(
        self,
        places: dict[str, list[tuple[int, Direction]]],
        jumps: list[tuple[int, Direction]],
        marks: dict[str, int],
    ) -> None:
        for _, jump in jumps:
            if jump.text.startswith("D.S.") and "segno" not in marks:
                message = f'"{jump.text}" without "Segno"; write "Segno" where to go back to'
                self._fault(jump.span, message)
            elif jump.text.endswith("Fine") and "fine" not in places:
                self._fault(jump.span, f'"{jump.text}" without "Fine"; write "Fine" where to end')
            elif jump.text.endswith("Coda") and "to-coda" not in places:
                message = f'"{jump.text}" without "To Coda"; write "To Coda" where to leave'
                self._fault(jump.span, message)
            elif jump.text.endswith("Coda") and "coda" not in marks:
                message = f'"{jump.text}" without a Coda; name a section [Coda] or write "Coda"'
                self._fault(jump.span, message)
        if not any(jump.text.endswith("Coda") for _, jump in jumps):
            for _, sign in places.get("to-coda", []):
                message = '"To Coda" is never taken; write "D.S. al Coda" or "D.C. al Coda" later'
                self._fault(sign.span, message)


def _close_span(laid: LaidBar) -> Span:
    span = laid.bar.span
    return Span(span.line, span.column + span.length)


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
        self.group_at: dict[int, _Repeat] = {}
        for repeat in roads.repeats:
            for i in range(repeat.first, repeat.last + 1):
                self.group_at[i] = repeat
        self.signs: dict[int, list[Direction]] = {}
        for laid in self.bars:
            for measure in laid.measures:
                for _, direction in measure.directions:
                    if direction.kind in ("jump", "to-coda", "fine"):
                        self.signs.setdefault(laid.index, []).append(direction)
        self.section_start: dict[int, int] = {}
        for laid in self.bars:
            self.section_start.setdefault(laid.section, laid.index)

    def run(self) -> Iterator[Play]:
        stretches = self._stretches()
        for number, (start, stop, chorus, jumps) in enumerate(stretches):
            if chorus != self.chorus:
                self.chorus, self.passes = chorus, {}
            last = number == len(stretches) - 1
            yield from self._walk(start, stop, jumps=jumps and last)

    def _stretches(self) -> list[tuple[int, int, int, bool]]:
        """Return stretches of bars (start, stop, chorus, whether jumps count), in order."""
        total = len(self.bars)
        if self.roads.form:
            order = list(self.roads.form)
        else:
            order = list(range(len(self.roads.section_names)))
        if self.choruses == 1 and not self.roads.form:
            return [(0, total, 1, True)]
        names = self.roads.section_names
        once = [self._is_once(section) for section in order]
        if all(once):
            spans = [(order, 1)]
        else:
            first = once.index(False)
            last = len(once) - once[::-1].index(False)
            body = order[first:last]
            spans = [(order[:first], 1)]
            for chorus in range(1, self.choruses + 1):
                part = [
                    section
                    for section in body
                    if not self._is_once(section)
                    or chorus == (1 if _stem(names[section]) == "intro" else self.choruses)
                ]
                spans.append((part, chorus))
            spans.append((order[last:], self.choruses))
        stretches: list[tuple[int, int, int, bool]] = []
        for part, chorus in spans:
            for section in part:
                start, stop = self._bounds(section)
                if start == 0 and self.roads.pickup and chorus > 1:
                    start = 1
                previous = stretches[-1] if stretches else None
                joined = previous is not None and previous[1] == start and previous[2] == chorus
                if joined and previous is not None and not self.roads.form:
                    stretches[-1] = (previous[0], stop, chorus, True)
                elif start < stop:
                    stretches.append((start, stop, chorus, True))
        if not self.roads.form and stretches:
            start, _, chorus, jumps = stretches[-1]
            stretches[-1] = (start, total, chorus, jumps)
        return stretches

    def _is_once(self, section: int) -> bool:
        start, stop = self._bounds(section)
        only_pickup = self.roads.pickup and (start, stop) == (0, 1)
        return only_pickup or plays_once(self.roads.section_names[section])

    def _bounds(self, section: int) -> tuple[int, int]:
        start = self.section_start.get(section, 0)
        stop = start
        while stop < len(self.bars) and self.bars[stop].section == section:
            stop += 1
        return start, stop

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
        start = self.section_start[laid.section]
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
        group: _Repeat | None = None
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
        what = "Fine" if sign.text.endswith("Fine") else "To Coda"
        message = (
            f'"{sign.text}" never ends: after the jump back it is met again; '
            f'put "{what}" between where it goes back to and here'
        )
        raise RoadMapError(Fault(sign.span, message))
