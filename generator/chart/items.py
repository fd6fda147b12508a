"""The symbols inside a bar: chords, slashes, rests, similes, meters and directions."""

import re
from fractions import Fraction

from generator.chart.misread import explain
from generator.chart.model import (
    Articulation,
    ChordItem,
    Direction,
    Item,
    MeterItem,
    NoChordItem,
    RestItem,
    SimileItem,
    SlashItem,
    Span,
)
from generator.chart.source import ProblemList
from generator.chart.tokens import Scanner
from generator.chart.values import ValueFault, parse_meter, short
from generator.chart.words import parse_direction
from generator.errors import ChordError
from generator.harmony.chord import Chord, parse_chord

__all__ = ["ItemReader"]

_ARTICULATIONS: dict[str, Articulation] = {"^": "hit", "<>": "ring", "(.)": "fermata"}
_ARTICULATED = re.compile(r"(.*?)((?:\^|<>|\(\.\))+)$")
_MARK = re.compile(r"\^|<>|\(\.\)")
_PUSH_QUARTERS = (Fraction(0), Fraction(1, 2), Fraction(1, 4))


class ItemReader:
    """Read items one by one; what cannot be read is reported and left out."""

    def __init__(self, problems: ProblemList) -> None:
        self.problems = problems
        self.chords: dict[str, Chord | ChordError] = {}

    def item(self, scan: Scanner, items: list[Item]) -> None:
        """Parse `item = direction | meter | "%" | "%%" | "/" | "r" | sound`."""
        meter = scan.take("METER")
        if meter is not None:
            try:
                items.append(MeterItem(parse_meter(meter.text), meter.span))
            except ValueFault as fault:
                self._fault_in(meter.span, fault)
            return
        word = scan.take("WORD")
        if word is None:
            direction = self.direction(scan)
            if direction is not None:
                items.append(direction)
            return
        text, span = word.text, word.span
        if text in ("%", "%%"):
            items.append(SimileItem(len(text), span))
        elif not text.strip("/"):
            items.extend(SlashItem(Span(span.line, span.column + i)) for i in range(len(text)))
        elif text == "r":
            items.append(RestItem(span))
        else:
            item = self._chord(text, span)
            if item is not None:
                items.append(item)

    def direction(self, scan: Scanner) -> Direction | None:
        """Parse `direction = '"' words '"'`."""
        token = scan.take("QUOTED")
        if token is None:
            token = scan.take("OPEN_QUOTE")
            if token is not None:
                message = 'this direction is not closed; close it with "'
            else:
                token = scan.take("ANY")
                message = "nothing is written like this in a bar"
                if token is not None and token.text == "[":
                    message = "a section starts on a line of its own"
                    scan.take("WORD")
                    scan.take("ANY")
                elif token is not None:
                    message = f"'{token.text}' has no meaning here; delete it"
            if token is not None:
                self.problems.add(Span(token.span.line, token.span.column), message)
            return None
        try:
            return parse_direction(token.groups[0] or "", token.span)
        except ValueFault as fault:
            offset = fault.offset + 1 if fault.offset else 0
            self.problems.add(Span(token.span.line, token.span.column + offset), fault.message)
            return None

    def _chord(self, text: str, span: Span) -> ChordItem | NoChordItem | None:
        """Parse `sound = ["<"|"<<"] (chord | "N.C.") ["^"|"<>"|"(.)"]`."""
        column = span.column
        symbol = text.lstrip("<") if not text.startswith("<>") else text
        pushes = len(text) - len(symbol)
        column += pushes
        articulation, symbol = self._articulation(symbol, span.line, column)
        if pushes > 2:
            self.problems.add(
                span, "more than two <; write < (an eighth early) or << (a sixteenth)"
            )
            return None
        if not symbol:
            message = f"'{short(text)}' belongs to a chord; write it without a space between"
            self.problems.add(span, message)
            return None
        push = _PUSH_QUARTERS[pushes]
        if symbol.replace(".", "").upper() == "NC":
            return NoChordItem(push, articulation, span)
        chord = self._parse_chord(symbol)
        if isinstance(chord, Chord):
            return ChordItem(chord, push, articulation, text=symbol, span=span)
        message, offset = explain(symbol, chord)
        self.problems.add(Span(span.line, column + offset), message)
        return None

    def _articulation(self, symbol: str, line: int, column: int) -> tuple[Articulation, str]:
        match = _ARTICULATED.fullmatch(symbol)
        if match is None:
            return "", symbol
        marks = _MARK.findall(match[2])
        if len(marks) > 1:
            names = list(dict.fromkeys(_ARTICULATIONS[mark] for mark in marks))
            both = " or ".join(names) + (", not both" if len(names) == 2 else ", not all")
            if len(names) == 1:
                both = f"{names[0]} written twice"
            place = Span(line, column + len(match[1]) + len(marks[0]))
            if len(names) == 1:
                place = Span(line, column + len(match[1]))
            self.problems.add(place, f"{both}; keep one of {' '.join(marks)}")
        return _ARTICULATIONS[marks[0]], match[1]

    def _parse_chord(self, symbol: str) -> Chord | ChordError:
        found = self.chords.get(symbol)
        if found is None:
            try:
                found = parse_chord(symbol)
            except ChordError as error:
                found = error
            self.chords[symbol] = found
        return found

    def _fault_in(self, span: Span, fault: ValueFault) -> None:
        self.problems.add(Span(span.line, span.column + fault.offset), fault.message)
