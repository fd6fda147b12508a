"""Chart text to `Chart`: a recursive-descent parser over lines that goes on after a fault.

The docstring of each parsing method is its grammar rule. A fault is recorded with its place and
the parser goes on behind the word that is at fault, so that one run reports every problem.
"""

from dataclasses import dataclass, field
from pathlib import Path

from generator.chart.bars import BarReader
from generator.chart.form import read_form
from generator.chart.heads import Heads, canonical_head, read_heads, split_head, unknown_head
from generator.chart.items import ItemReader
from generator.chart.layout import lay_out
from generator.chart.model import (
    DYNAMICS,
    Bar,
    Chart,
    Direction,
    Section,
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
from generator.chart.tokens import Scanner, strip_comment
from generator.chart.values import short
from generator.chart.words import as_direction

__all__ = ["parse_chart", "read_chart"]

_MAX_NAME = 40
MAX_SECTIONS = 1000
"""Most sections in one chart."""

MAX_SYMBOLS = 40_000
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
        self.items = ItemReader(self.problems)
        self.bars = BarReader(self.problems, self.items)

    def chart(self) -> Chart:
        """Parse `chart = {head} {section}`."""
        try:
            for number in range(1, len(self.source.lines) + 1):
                self._line(number)
                if self._too_long(number):
                    break
            chart = self._finish()
        except TooManyProblemsError:
            raise self.problems.error() from None
        if self.problems or chart is None:
            raise self.problems.error()
        return chart

    def _too_long(self, number: int) -> bool:
        """Report a chart that has grown over a limit by line `number`."""
        for count, most, noun in (
            (len(self.sections), MAX_SECTIONS, "sections"),
            (self.bars.count, MAX_BARS, "written bars"),
            (self.bars.symbols, MAX_SYMBOLS, "written symbols"),
        ):
            if count > most:
                self.problems.add(Span(number, 1), f"over {most} {noun}; split the chart")
                return True
        return False

    # -- lines -----------------------------------------------------------------------------------

    def _line(self, number: int) -> None:
        if not check_line(self.source, number, self.problems):
            return
        line = strip_comment(self.source.lines[number - 1])
        if not line.strip():
            return
        if line.lstrip().startswith("#"):
            column = len(line) - len(line.lstrip()) + 1
            self.problems.add(Span(number, column), "a comment starts with ;")
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
            self.problems.add(name_span, unknown_head(name, text))
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
        if not self.bars.count and self._has_pickup():
            self.bars.first_number = 0
        if not scan.sees("REPEAT_OPEN"):
            opening = scan.take("BAR_LINE")
            if opening is not None and scan.at_end:
                message = "a bar line without a bar; write the bar after it or drop the line"
                self.problems.add(opening.span, message)
        while not scan.at_end:
            bar = self.bars.bar(scan)
            if bar is not None:
                self.sections[-1].bars.append(bar)

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
            message = f"a section name of {len(name)} characters; write {_MAX_NAME} at most"
            self.problems.add(token.span, message)
        draft = _SectionDraft(name, token.span)
        self.sections.append(draft)
        while not (scan.at_end or scan.sees("BAR_LINE") or scan.sees("REPEAT_OPEN")):
            word = scan.take("WORD")
            if word is None:
                direction = self.items.direction(scan)
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
                    message = f"a second dynamic beside {draft.dynamic}; drop one"
                    self.problems.add(word.span, message)
                draft.dynamic = word.text
            elif as_direction(word.text) is not None:
                message = f"{word.text} is a direction; write it in quotes"
                self.problems.add(word.span, message)
            else:
                message = f"'{short(word.text)}' is no dynamic; use pp, p, mp, mf, f or ff"
                self.problems.add(word.span, message)

    # -- the whole ---------------------------------------------------------------------------------

    def _finish(self) -> Chart | None:
        heads = read_heads(self.raw_heads, self.source.name, self.problems, self.styles)
        if self.bars.repeat_opens is not None:
            message = "this |: opens a repeat of no bars; write them after it or drop it"
            self.problems.add(self.bars.repeat_opens, message)
        for draft in self.sections:
            if not draft.bars and draft.name:
                message = f"section [{draft.name}] has no bars; write them below it or drop it"
                self.problems.add(draft.span, message)
        if not self.bars.count:
            if not self.problems:
                message = "no bars in this chart; write some, such as | C | F |"
                self.problems.add(Span(1, 1), message)
            return None
        chart = self._build(heads)
        layout = lay_out(
            chart.sections, chart.meter, chart.pickup_beats, faulty=frozenset(self.bars.faulty)
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
                if draft.name or draft.bars  # a lone |: before a section makes none of its own
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

    def _has_pickup(self) -> bool:
        text, _ = self.raw_heads.get("Pickup", ("0", None))
        return bool(text.strip("0. "))

    def _form(self) -> tuple[str, ...]:
        if "Form" not in self.raw_heads:
            return ()
        text, span = self.raw_heads["Form"]
        first = self.sections[0]
        if not first.name and not (self._has_pickup() and len(first.bars) == 1):
            message = "bars before the first [section] have no place in the Form; name them"
            self.problems.add(first.span, message)
        places = [(draft.name, draft.span) for draft in self.sections]
        return read_form(text, span, places, self.problems)
