"""Bars as written: their items between bar lines, repeats and endings."""

from typing import Literal

from generator.chart.items import ItemReader
from generator.chart.model import Bar, Item, Span
from generator.chart.roadmap import MAX_BARS
from generator.chart.source import ProblemList
from generator.chart.tokens import Scanner, Token
from generator.chart.values import short

__all__ = ["MAX_ITEMS", "BarReader"]

MAX_ITEMS = 64
"""Most symbols in one bar."""


class BarReader:
    """Read bars one by one and count them.

    Attributes
    ----------
    count, symbols : int
        Bars and items read so far.
    faulty : set of int
        Indices of the bars that had problems.
    first_number : int
        Number of the first bar: 0 for a pickup, else 1.
    """

    def __init__(self, problems: ProblemList, items: ItemReader) -> None:
        self.problems = problems
        self.items = items
        self.count = 0
        self.symbols = 0
        self.faulty: set[int] = set()
        self.first_number = 1
        self.repeat_opens: Span | None = None

    def bar(self, scan: Scanner) -> Bar | None:
        """Parse `bar = ["|:"] [ending] {item} close`.

        Return None for a `|:` at the end of a line: it belongs to the first bar of the next.
        """
        opening = scan.take("REPEAT_OPEN")
        if opening is not None:
            self.repeat_opens = opening.span
            if scan.at_end:
                return None
        start = opening.span if opening is not None else scan.here
        before = len(self.problems)
        ending = self._ending(scan)
        items: list[Item] = []
        while not (scan.at_end or scan.sees("BAR_LINE") or scan.sees("REPEAT_CLOSE")):
            self.items.item(scan, items)
            if len(items) > MAX_ITEMS:
                message = f"over {MAX_ITEMS} symbols in a bar; write fewer"
                self.problems.add(scan.here, message)
                scan.skip_bar()
        end = scan.here if not scan.at_end else scan.end
        close, times = self._close(scan)
        if not items and len(self.problems) == before:
            self.problems.add(end, "empty bar; write % to repeat the bar before, or N.C.")
        if len(self.problems) > before:
            self.faulty.add(self.count)
        made = Bar(
            number=self.count + self.first_number,
            items=tuple(items),
            repeat_opens=self.repeat_opens is not None,
            ending=ending,
            close=close,
            times=times,
            span=Span(start.line, start.column, end.column - start.column),
        )
        self.count += 1
        self.symbols += len(items)
        self.repeat_opens = None
        return made

    def _ending(self, scan: Scanner) -> tuple[int, ...]:
        """Parse `ending = n ["-" n] {"," n ["-" n]} "."`."""
        token = scan.take("ENDING")
        if token is None:
            return ()
        passes: list[int] = []
        for part in (token.groups[0] or "").split(","):
            low, _, high = (piece.strip() for piece in part.partition("-"))
            if max(len(low), len(high)) > 3:
                self.problems.add(token.span, "an ending of that number; write 1 to 99")
                return ()
            first, last = int(low), int(high or low)
            if not 1 <= first <= last <= 99 or (passes and first <= passes[-1]):
                message = f"ending {token.text} counts wrongly; write 1., 2. or 1-2."
                self.problems.add(token.span, message)
                return ()
            passes.extend(range(first, last + 1))
        return tuple(passes)

    def _close(self, scan: Scanner) -> tuple[Literal["|", "||", ":|"], int]:
        """Parse `close = "|" | "||" | ":|" ["x" n ["|"]]`."""
        if scan.sees("REPEAT_OPEN"):  # left standing: it opens the next bar
            double = scan.text[scan.here.column - 1 :].startswith("||")
            return ("||" if double else "|"), 2
        if scan.take("REPEAT_CLOSE") is not None:
            token = scan.take("TIMES")
            if token is None:
                return ":|", 2
            if not scan.sees("REPEAT_OPEN"):
                scan.take("BAR_LINE")  # `:| x3 |` is how many write it; the repeat has closed
            return ":|", self._times(token)
        token = scan.take("BAR_LINE")
        if token is None:
            self.problems.add(scan.end, "this bar is not closed; write | after it")
            return "|", 2
        return ("||" if token.text == "||" else "|"), 2

    def _times(self, token: Token) -> int:
        digits = (token.groups[0] or "").lstrip("0")
        if len(digits) > 5 or not 2 <= int(digits or 0) <= MAX_BARS:
            message = f"a repeat played {short(digits or '0')} times; write x 2 to x {MAX_BARS}"
            self.problems.add(token.span, message)
            return 2
        return int(digits)
