"""Repeats and numbered endings, found in the written bars and checked.

A `:|` without `|:` goes back to the start of its section (after a pickup), once a section. Under a
`Form` a repeat stays inside its section. The last ending closes with `|`; when it is played more
than once, as `2-3.` is, with `:|`.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

from generator.chart.layout import Fault, LaidBar
from generator.chart.model import Span

__all__ = ["Repeat", "find_repeats"]


class Repeat(NamedTuple):
    """Bars from `first` to `last` (indices), played `times` times in all.

    `endings` holds the first bar of each numbered ending with its passes. `last` is the bar after
    which the last pass is over: the one that closes, or the first of the last ending.
    """

    first: int
    last: int
    times: int
    endings: tuple[tuple[int, tuple[int, ...]], ...] = ()

    def ending_for(self, number: int) -> int | None:
        """Return the bar at which the ending for a pass starts."""
        return next((bar for bar, passes in self.endings if number in passes), None)


def find_repeats(
    bars: tuple[LaidBar, ...], *, has_form: bool, pickup: bool
) -> tuple[tuple[Repeat, ...], tuple[Fault, ...]]:
    """Return the repeats of a chart in order, and what is wrong with them."""
    reader = _Reader(bars, has_form, pickup)
    reader.repeats()
    return tuple(reader.found), tuple(reader.faults)


@dataclass(slots=True)
class _Open:
    """A repeat that is being read; `awaiting` is the `:|` after which an ending must follow."""

    first: int
    opened: Span
    last: int = -1
    endings: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)
    awaiting: Span | None = None


class _Reader:
    def __init__(self, bars: tuple[LaidBar, ...], has_form: bool, pickup: bool) -> None:
        self.bars = bars
        self.has_form = has_form
        self.pickup = pickup
        self.found: list[Repeat] = []
        self.faults: list[Fault] = []
        self.forgiven = 0  # a :| whose fault was reported at the other end of its repeat

    def _fault(self, span: Span, message: str) -> None:
        self.faults.append(Fault(span, message))

    def repeats(self) -> None:
        current: _Open | None = None
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
                        self.forgiven += 1
                current = _Open(i, bar.span)
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
        self, laid: LaidBar, current: _Open | None, start: int, closed: bool
    ) -> _Open | None:
        bar = laid.bar
        sign = Span(bar.span.line, bar.span.column)
        if current is None:
            if 1 not in bar.ending or closed:
                first = bar.ending[0]
                message = f"no first ending before this ending {first}; write 1. and its :| first"
                if first == 1:
                    message = "ending 1 stands in no repeat; open the repeat with |:"
                self._fault(sign, message)
                self.forgiven += 1
                return None
            current = _Open(start, bar.span)
        expected = max((p for _, passes in current.endings for p in passes), default=0) + 1
        if bar.ending[0] != expected or (current.awaiting is None and current.endings):
            if current.endings and current.awaiting is None:
                message = f"the ending before ending {bar.ending[0]} is not closed; end it with :|"
            elif expected == 1:
                message = "no first ending before this one; write 1. and its :| first"
            else:
                message = (
                    f"ending {bar.ending[0]} where ending {expected} must follow; "
                    f"write {expected}. here"
                )
            self._fault(sign, message)
        current.endings.append((laid.index, bar.ending))
        current.awaiting = None
        return current

    def _close(
        self, laid: LaidBar, current: _Open | None, start: int, closed: bool
    ) -> _Open | None:
        bar = laid.bar
        sign = _close_span(laid)
        if current is None:
            if closed and self.forgiven:
                self.forgiven -= 1
                return None
            if closed:
                message = "this :| has no |: to go back to; write |: where the repeat starts"
                self._fault(sign, message)
                return None
            current = _Open(start, bar.span)
        current.last = laid.index
        if current.endings:
            if bar.times != 2:
                message = "the endings say how often this is played; drop the x"
                self._fault(sign, message)
            current.awaiting = sign
            return current
        self.found.append(Repeat(current.first, current.last, bar.times))
        return None

    def _finish(self, current: _Open, where: str = "") -> None:
        """End a repeat that is still open: fine in its last ending, a fault otherwise."""
        passes = [p for _, numbers in current.endings for p in numbers]
        repeated = bool(current.endings) and len(current.endings[-1][1]) > 1
        if not current.endings:
            message = f"this repeat never closes {where}".rstrip() + "; write :| where it ends"
            self._fault(current.opened, message)
        elif len(current.endings) == 1 and current.awaiting is None:
            message = "ending 1 goes nowhere; close it with :| and write ending 2. after it"
            self._fault(self._sign_of(current.endings[0][0]), message)
        elif current.awaiting is not None and (not repeated or len(current.endings) == 1):
            number = max(passes) + 1
            message = f"ending {number} is missing after this :|; write {number}. after it"
            if number > 2:
                message += f", or close ending {number - 1} with |"
            self._fault(current.awaiting, message)
        elif current.awaiting is None and repeated:
            count = len(current.endings[-1][1])
            message = f"this ending is played {count} times; close it with :|"
            self._fault(self._sign_of(current.endings[-1][0]), message)
        else:
            last = max(current.last, current.endings[-1][0])
            repeat = Repeat(current.first, last, max(passes), tuple(current.endings))
            self.found.append(repeat)

    def _sign_of(self, index: int) -> Span:
        span = self.bars[index].bar.span
        return Span(span.line, span.column)


def _close_span(laid: LaidBar) -> Span:
    span = laid.bar.span
    return Span(span.line, span.column + span.length)
