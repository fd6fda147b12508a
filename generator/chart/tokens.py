"""The words of a chart line, cut off one after the other.

A `Scanner` stands at a place in one line and is asked for the token that the grammar expects
there; what may start a token depends on the rule that asks, so there is no separate lexing pass.
"""

import re
from typing import NamedTuple

from generator.chart.model import Span

__all__ = ["Scanner", "Token", "strip_comment"]

_RULES = {
    name: re.compile(pattern)
    for name, pattern in {
        "REPEAT_OPEN": r"\|{1,2}:(?!\|)",
        "BAR_LINE": r"\|\|?",
        # The look-ahead leaves the colon of `:|:` for the repeat that opens next.
        "REPEAT_CLOSE": r":\|\|?(?!:)|:(?=\|\|?:)",
        "TIMES": r"[x×]\s*(\d+)(?![\w/.])",
        "ENDING": r"(\d+(?:\s*-\s*\d+)?(?:\s*,\s*\d+(?:\s*-\s*\d+)?)*)\.",
        "QUOTED": r'"([^"]*)"',
        "OPEN_QUOTE": r'"[^"|]*',
        "SECTION": r"\[([^\]\[]*)\]",
        "OPEN_SECTION": r"\[[^\]|]*",
        "METER": r"(\d+)/(\d+)(?:\s*\(([^()|]*)\))?(?![\w/])",
        # Anything up to white space or a mark of its own; blanks may stand inside parentheses.
        "WORD": r'(?:\([^()|";]*\)|(?!:\|)[^\s|"\[\];])+',
        "ANY": r"\S",
    }.items()
}
_BLANKS = re.compile(r"\s*")


class Token(NamedTuple):
    """A piece of a line: its text, its first group when the rule has one, and its place."""

    text: str
    groups: tuple[str | None, ...]
    span: Span


class Scanner:
    """A reading place in one line."""

    __slots__ = ("_at", "_end", "number", "text")

    def __init__(self, text: str, number: int) -> None:
        self.text = text
        self.number = number
        self._end = len(text.rstrip())
        self._at = 0
        self._skip()

    @property
    def at_end(self) -> bool:
        """Whether only white space is left."""
        return self._at >= self._end

    @property
    def here(self) -> Span:
        """The place of the next token."""
        return Span(self.number, self._at + 1)

    @property
    def end(self) -> Span:
        """The place after the last character."""
        return Span(self.number, self._end + 1)

    def sees(self, rule: str) -> bool:
        """Return whether a token of this rule starts here."""
        return _RULES[rule].match(self.text, self._at, self._end) is not None

    def take(self, rule: str) -> Token | None:
        """Cut off a token of this rule, with the white space after it; None if there is none."""
        match = _RULES[rule].match(self.text, self._at, self._end)
        if match is None:
            return None
        span = Span(self.number, match.start() + 1, len(match[0]))
        self._at = match.end()
        self._skip()
        return Token(match[0], match.groups(), span)

    def skip_bar(self) -> None:
        """Go to the next bar line, or to the end of the line."""
        bar_line = self.text.find("|", self._at)
        self._at = self._end if bar_line < 0 else bar_line

    def _skip(self) -> None:
        blanks = _BLANKS.match(self.text, self._at)
        if blanks is not None:
            self._at = blanks.end()


def strip_comment(line: str) -> str:
    """Return a line without its comment.

    >>> strip_comment("| C | ; to be mended")
    '| C |'
    """
    return line.partition(";")[0].rstrip()
