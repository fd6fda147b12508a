"""Chart text to `Chart`: a recursive-descent parser over lines that goes on after a fault.

The docstring of each parsing method is its grammar rule. A fault is recorded with its place and
the parser goes on behind the word that is at fault, so that one run reports every problem.
"""

import re
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal

from generator.chart.heads import Heads, canonical_head, read_heads, split_head, unknown_head
from generator.chart.layout import lay_out
from generator.chart.model import (
    DYNAMICS,
    Articulation,
    Bar,
    Chart,
    ChordItem,
    Direction,
    Item,
    MeterItem,
    NoChordItem,
    RestItem,
    Section,
    SimileItem,
    SlashItem,
    Span,
)
from generator.chart.roadmap import MAX_BARS, RoadMapError, plays_once, road_map
from generator.chart.source import (
    ProblemList,
    Source,
    TooManyProblemsError,
    check_line,
    load_source,
    source_of,
)
from generator.chart.suggest import did_you_mean
from generator.chart.tokens import Scanner, Token, strip_comment
from generator.chart.values import ValueFault, parse_meter
from generator.chart.words import as_direction, parse_direction
from generator.errors import ChordError
from generator.harmony.chord import Chord, parse_chord

__all__ = ["parse_chart", "read_chart"]

_ARTICULATIONS: dict[str, Articulation] = {"^": "hit", "<>": "ring", "(.)": "fermata"}
_ARTICULATED = re.compile(r"(.*?)((?:\^|<>|\(\.\))+)$")
_MARK = re.compile(r"\^|<>|\(\.\)")
_METER_LIKE = re.compile(r"\d+/\d+")
_NO_CHORD = frozenset({"n.c.", "nc", "n.c"})
_MAX_NAME = 40
MAX_ITEMS = 64
"""Most symbols in one bar."""

MAX_SYMBOLS = 60_000
"""Most symbols in one chart."""


def read_chart(path: Path | str, styles: tuple[str, ...] | None = None) -> Chart:
    """Read a chart file, or standard input when `path` is "-".

    Parameters
    ----------
    path : Path or str
        The file.
    styles : tuple of str, optional
        Names of the known styles, to check the `Style:` head against; unchecked without.

    Raises
    ------
    ChartError
        With every problem of the chart.
    """
    return _Parser(load_source(path), styles).chart()


def parse_chart(
    text: str, source_name: str = "<text>", styles: tuple[str, ...] | None = None
) -> Chart:
    r"""Read a chart from its text; see `read_chart`.

    >>> chart = parse_chart("Key: G\n[A] mf\n| Am7 / D7 / | G |")
    >>> chart.key.name, len(chart.sections[0].bars)
    ('G major', 2)
    """
    return _Parser(source_of(text, source_name), styles).chart()


@dataclass(slots=True)
class _SectionDraft:
    name: str
    span: Span
    dynamic: str | None = None
    directions: list[Direction] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)


class _Parser:
    def __init__(self, source: Source, styles: tuple[str, ...] | None) -> None:
        self.source = source
        self.styles = styles
        self.problems = ProblemList(source)
        self.raw_heads: dict[str, tuple[str, Span]] = {}
        self.sections: list[_SectionDraft] = []
        self.count = 0
        self.symbols = 0
        self.faulty: set[int] = set()
        self.repeat_opens: Span | None = None
        self.chords: dict[str, Chord | ChordError] = {}

    def chart(self) -> Chart:
        """Parse `chart = {head} {section}`."""
        try:
            for number in range(1, len(self.source.lines) + 1):
                self._line(number)
                if self.count > MAX_BARS or self.symbols > MAX_SYMBOLS:
                    what = f"{MAX_BARS} written bars"
                    if self.count <= MAX_BARS:
                        what = f"{MAX_SYMBOLS} written symbols"
                    self.problems.add(Span(number, 1), f"over {what}; split the chart")
                    break
            chart = self._finish()
        except TooManyProblemsError:
            raise self.problems.error() from None
        if self.problems or chart is None:
            raise self.problems.error()
        return chart

    # -- lines -----------------------------------------------------------------------------------

    def _line(self, number: int) -> None:
        if not check_line(self.source, number, self.problems):
            return
        line = strip_comment(self.source.lines[number - 1])
        if not line.strip():
            return
        head = split_head(line, number)
        if head is not None:
            self._head(*head)
        else:
            self._music(Scanner(line, number))

    def _head(self, name: str, name_span: Span, text: str, span: Span) -> None:
        """Parse `head = name ":" text`."""
        canonical = canonical_head(name)
        if canonical is None:
            self.problems.add(name_span, unknown_head(name))
        elif self.sections:
            remedy = "move it above the first bar"
            if canonical in ("Key", "Tempo"):
                sample = '"Key: G minor"' if canonical == "Key" else '"q=72"'
                remedy = f"write a change as {sample} in a bar"
            elif canonical == "Time":
                remedy = "write a new meter at the start of its bar"
            self.problems.add(name_span, f"{canonical}: stands below the first bar; {remedy}")
        elif canonical in self.raw_heads:
            first = self.raw_heads[canonical][1].line
            message = f"a second {canonical}: (the first is in line {first}); drop one"
            self.problems.add(name_span, message)
        elif not text:
            self.problems.add(span, f"{canonical}: says nothing; write its value or drop the line")
        else:
            self.raw_heads[canonical] = (text, span)

    def _music(self, scan: Scanner) -> None:
        """Parse `line = [section] ["|:" | "|"] {bar}`."""
        if scan.sees("OPEN_SECTION"):
            self._section(scan)
            if scan.at_end:
                return
        if not self.sections:
            self.sections.append(_SectionDraft("", scan.here))
        if not scan.sees("REPEAT_OPEN"):
            opening = scan.take("BAR_LINE")
            if opening is not None and scan.at_end:
                message = "a bar line without a bar; write the bar after it or drop the line"
                self.problems.add(opening.span, message)
        while not scan.at_end:
            self._bar(scan)

    def _section(self, scan: Scanner) -> None:
        """Parse `section = "[" name "]" [dynamic] {direction}`."""
        token = scan.take("SECTION")
        if token is None:
            token = scan.take("OPEN_SECTION")
            if token is None:  # cannot be: the caller saw it
                return
            message = "this section name is not closed; close it with ]"
            self.problems.add(Span(token.span.line, token.span.column), message)
            self.sections.append(_SectionDraft(token.text[1:].strip(), token.span))
            return
        name = " ".join((token.groups[0] or "").split())
        if not name:
            self.problems.add(token.span, "a section without a name; write one such as [A]")
        elif len(name) > _MAX_NAME:
            message = f"a section name of {len(name)} characters; {_MAX_NAME} at most"
            self.problems.add(token.span, message)
        draft = _SectionDraft(name, token.span)
        self.sections.append(draft)
        while not (scan.at_end or scan.sees("BAR_LINE") or scan.sees("REPEAT_OPEN")):
            word = scan.take("WORD")
            if word is None:
                direction = self._direction(scan)
                if direction is None:
                    continue
                if direction.kind in ("jump", "to-coda", "fine"):
                    message = f'"{direction.text}" acts at the end of a bar; write it in that bar'
                    self.problems.add(direction.span, message)
                elif direction.kind == "dynamic":
                    draft.dynamic = direction.dynamic
                else:
                    draft.directions.append(direction)
            elif word.text in DYNAMICS:
                if draft.dynamic is not None:
                    message = f"a second dynamic; {draft.dynamic} stands already"
                    self.problems.add(word.span, message)
                draft.dynamic = word.text
            elif as_direction(word.text) is not None:
                message = f"{word.text} is a direction; write it in quotes"
                self.problems.add(word.span, message)
            else:
                message = f"'{_short(word.text)}' is no dynamic; use pp, p, mp, mf, f or ff"
                self.problems.add(word.span, message)

    # -- bars ------------------------------------------------------------------------------------

    def _bar(self, scan: Scanner) -> None:
        """Parse `bar = ["|:"] [ending] {item} close`."""
        opening = scan.take("REPEAT_OPEN")
        if opening is not None:
            self.repeat_opens = opening.span
            if scan.at_end:  # it belongs to the first bar of the next line
                return
        start = opening.span if opening is not None else scan.here
        before = len(self.problems)
        ending = self._ending(scan)
        items: list[Item] = []
        while not (scan.at_end or scan.sees("BAR_LINE") or scan.sees("REPEAT_CLOSE")):
            self._item(scan, items)
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
        pickup = "Pickup" in self.raw_heads and self.raw_heads["Pickup"][0].strip() != "0"
        self.sections[-1].bars.append(
            Bar(
                number=self.count if pickup else self.count + 1,
                items=tuple(items),
                repeat_opens=self.repeat_opens is not None,
                ending=ending,
                close=close,
                times=times,
                span=Span(start.line, start.column, end.column - start.column),
            )
        )
        self.count += 1
        self.symbols += len(items)
        self.repeat_opens = None

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
        """Parse `close = "|" | "||" | ":|" ["x" n]`."""
        if scan.sees("REPEAT_OPEN"):  # left standing: it opens the next bar
            double = scan.text[scan.here.column - 1 :].startswith("||")
            return ("||" if double else "|"), 2
        if scan.take("REPEAT_CLOSE") is not None:
            token = scan.take("TIMES")
            return ":|", 2 if token is None else self._times(token)
        token = scan.take("BAR_LINE")
        if token is None:
            self.problems.add(scan.end, "this bar is not closed; write | after it")
            return "|", 2
        return ("||" if token.text == "||" else "|"), 2

    def _times(self, token: Token) -> int:
        digits = (token.groups[0] or "").lstrip("0")
        if len(digits) > 5 or not 2 <= int(digits or 0) <= MAX_BARS:
            message = f"a repeat played {_short(digits or '0')} times; write x 2 to x {MAX_BARS}"
            self.problems.add(token.span, message)
            return 2
        return int(digits)

    # -- items -----------------------------------------------------------------------------------

    def _item(self, scan: Scanner, items: list[Item]) -> None:
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
            direction = self._direction(scan)
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

    def _direction(self, scan: Scanner) -> Direction | None:
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
            message = f"'{_short(text)}' belongs to a chord; write it without a space between"
            self.problems.add(span, message)
            return None
        push = (Fraction(0), Fraction(1, 2), Fraction(1, 4))[pushes]
        if symbol.casefold() in _NO_CHORD:
            return NoChordItem(push, articulation, span)
        chord = self._parse_chord(symbol)
        if isinstance(chord, Chord):
            return ChordItem(chord, push, articulation, text=symbol, span=span)
        message, offset = self._explain(symbol, chord)
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

    @staticmethod
    def _explain(symbol: str, error: ChordError) -> tuple[str, int]:
        """Return what a word that is no chord may have been meant as, and where the fault lies."""
        normal = as_direction(symbol)
        if normal is not None:
            return f'{_short(symbol)} is a direction; write "{normal}" in quotes', 0
        if symbol == "R":
            return "a rest is written r, in lower case", 0
        if symbol.startswith("%"):
            return "write % (the bar before) or %% (two bars before), alone in its bar", 0
        if re.fullmatch(r"[x×]\d+", symbol):
            return "x and a number stand after :|; close the repeat before it", 0
        if re.fullmatch(r"(\d+(-\d+)?\.)+.*", symbol):
            return "an ending stands at the start of a bar; write | before it", 0
        if _METER_LIKE.match(symbol):
            return f"'{_short(symbol)}' is no meter; write one such as 3/4 or 7/8 (2+2+3)", 0
        if symbol.endswith("/"):
            return "a slash for a beat stands alone; put a space before it", len(symbol) - 1
        return str(error), error.offset

    def _fault_in(self, span: Span, fault: ValueFault) -> None:
        self.problems.add(Span(span.line, span.column + fault.offset), fault.message)

    # -- the whole ---------------------------------------------------------------------------------

    def _finish(self) -> Chart | None:
        heads = read_heads(self.raw_heads, self.source.name, self.problems, self.styles)
        if self.repeat_opens is not None:
            message = "this |: opens a repeat of no bars; write them after it or drop it"
            self.problems.add(self.repeat_opens, message)
        for draft in self.sections:
            if not draft.bars and draft.name:
                message = f"section [{draft.name}] has no bars; write them below it or drop it"
                self.problems.add(draft.span, message)
        if not self.count:
            if not self.problems:
                end = Span(len(self.source.lines), 1)
                self.problems.add(end, "no bars in this chart; write some, such as | C | F |")
            return None
        chart = self._build(heads)
        layout = lay_out(
            chart.sections, chart.meter, chart.pickup_beats, faulty=frozenset(self.faulty)
        )
        roads = road_map(chart, layout)
        for fault in (*layout.faults, *roads.faults):
            self.problems.add(fault.span, fault.message)
        if chart.choruses > 1 and all(plays_once(s.name) for s in chart.sections):
            message = "no section for the choruses to repeat; name one otherwise, such as [A]"
            self.problems.add(chart.head_span("Choruses"), message)
        if not self.problems:
            try:
                for _ in roads.plays(chart.choruses):
                    pass
            except RoadMapError as error:
                self.problems.add(error.fault.span, error.fault.message)
        return chart

    def _build(self, heads: Heads) -> Chart:
        return Chart(
            title=heads.title,
            composer=heads.composer,
            key=heads.key,
            meter=heads.meter,
            tempo=heads.tempo,
            sections=tuple(
                Section(
                    draft.name,
                    tuple(draft.bars),
                    draft.dynamic,
                    tuple(draft.directions),
                    draft.span,
                )
                for draft in self.sections
            ),
            feel=heads.feel,
            style=heads.style,
            pickup_beats=heads.pickup_beats,
            choruses=heads.choruses,
            form=self._form(),
            count_in_bars=heads.count_in_bars,
            source_name=self.source.name,
            sha256=self.source.sha256,
            lines=self.source.lines,
            head_spans=tuple((name, span) for name, (_, span) in self.raw_heads.items()),
        )

    def _form(self) -> tuple[str, ...]:
        """Parse `form = name {name}: names of sections, which may hold blanks`."""
        if "Form" not in self.raw_heads:
            return ()
        text, span = self.raw_heads["Form"]
        names = {draft.name.casefold(): draft.name for draft in self.sections if draft.name}
        self._check_form_names()
        words = [(m[0], m.start()) for m in re.finditer(r"[^\s,]+", text)]
        longest = max((len(name.split()) for name in names), default=1)
        form: list[str] = []
        i = 0
        while i < len(words):
            for length in range(min(longest, len(words) - i), 0, -1):
                candidate = " ".join(word for word, _ in words[i : i + length])
                name = names.get(candidate.casefold())
                if name is not None:
                    form.append(name)
                    i += length
                    break
            else:
                word, offset = words[i]
                hint = did_you_mean(word, names.values()) or (
                    f"sections are {', '.join(list(names.values())[:12])}" if names else "name one"
                )
                message = f"no section [{_short(word)}] for the form to play; {hint}"
                self.problems.add(Span(span.line, span.column + offset), message)
                i += 1
        return tuple(form)

    def _check_form_names(self) -> None:
        seen: set[str] = set()
        for draft in self.sections:
            fold = draft.name.casefold()
            if fold in seen:
                message = f"a second section [{draft.name}], but Form plays by name; rename it"
                self.problems.add(draft.span, message)
            seen.add(fold)
        first = self.sections[0] if self.sections else None
        if first is not None and not first.name:
            pickup_only = "Pickup" in self.raw_heads and len(first.bars) == 1
            if not pickup_only:
                message = "bars before the first [section] have no place in the Form; name them"
                self.problems.add(first.span, message)


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."
