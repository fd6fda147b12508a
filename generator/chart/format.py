"""A chart back to text, in one normal form: `parse_chart(format_chart(chart)) == chart`.

Chords are printed in their normal form, heads with a default are left out, and lines hold up to
four bars. Comments are not kept.
"""

from collections.abc import Iterator

from generator.chart.model import (
    Bar,
    Chart,
    ChordItem,
    Direction,
    Feel,
    Item,
    MeterItem,
    NoChordItem,
    RestItem,
    Section,
    SimileItem,
)
from generator.chart.words import tempo_text

__all__ = ["format_chart"]

_BARS_A_LINE = 4
_WIDTH = 100
_PUSHES = {0: "", 2: "<", 4: "<<"}  # by the note value: none, an eighth, a sixteenth
_MARKS = {"": "", "hit": "^", "ring": "<>", "fermata": "(.)"}


def format_chart(chart: Chart) -> str:
    r"""Return the text of a chart.

    Examples
    --------
    >>> from generator.chart.parser import parse_chart
    >>> print(format_chart(parse_chart("Title: Air\n[A] p\n|:C-7|<F7^ r //:|x3")), end="")
    Title: Air
    Key: C major
    Time: 4/4
    Tempo: q=120
    <BLANKLINE>
    [A] p
    |: Cm7 | <F7^ r / / :| x3
    """
    lines = [f"{name}: {text}" for name, text in _heads(chart)]
    for section in chart.sections:
        lines.append("")
        if section.name:
            lines.append(_section_line(section))
        lines += _bar_lines(section.bars)
    return "\n".join(lines) + "\n"


def _heads(chart: Chart) -> Iterator[tuple[str, str]]:
    if chart.title.strip():
        yield "Title", _plain(chart.title)
    if chart.composer.strip():
        yield "Composer", _plain(chart.composer)
    yield "Key", chart.key.name
    yield "Time", str(chart.meter)
    yield "Tempo", tempo_text(chart.tempo)
    if chart.feel is not None:
        yield "Feel", _feel(chart.feel)
    if chart.style is not None:
        yield "Style", chart.style
    if chart.pickup_beats:
        yield "Pickup", str(chart.pickup_beats)
    if chart.choruses != 1:
        yield "Choruses", str(chart.choruses)
    if chart.form:
        yield "Form", " ".join(chart.form)
    if chart.count_in_bars != 1:
        yield "Count-in", str(chart.count_in_bars)


def _plain(text: str) -> str:
    """Return text without line ends, and without the semicolon, which would start a comment."""
    return " ".join(text.replace(";", ",").split())


def _feel(feel: Feel) -> str:
    if not feel.swing:
        return "straight"
    words = ["swing"]
    if feel.unit_quarters.denominator == 4:
        words.append("sixteenths")
    if feel.share is not None:
        words.append(f"{float(feel.share * 100):.4f}".rstrip("0").rstrip(".") + "%")
    return " ".join(words)


def _section_line(section: Section) -> str:
    words = [f"[{section.name}]"]
    if section.dynamic is not None:
        words.append(section.dynamic)
    words += [f'"{direction.text}"' for direction in section.directions]
    return " ".join(words)


def _bar_lines(bars: tuple[Bar, ...]) -> list[str]:
    lines: list[str] = []
    count = 0
    for i, bar in enumerate(bars):
        text = _bar(bar)
        goes_on = (
            lines
            and not bar.repeat_opens
            and (bars[i - 1].close != ":|" or bar.ending)
            and count < _BARS_A_LINE
            and len(lines[-1]) + len(text) < _WIDTH
        )
        if goes_on:
            lines[-1] += text
            count += 1
        else:
            lines.append(("|:" if bar.repeat_opens else "|") + text)
            count = 1
    return lines


def _bar(bar: Bar) -> str:
    words = [_ending(bar.ending), *map(_item, bar.items), bar.close]
    if bar.close == ":|" and bar.times != 2:
        words.append(f"x{bar.times}")
    return " ".join(words)


def _ending(passes: tuple[int, ...]) -> str:
    """Return the passes of an ending with runs drawn together: 1-3. or 1,3."""
    runs: list[list[int]] = []
    for number in passes:
        if runs and runs[-1][-1] == number - 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    text = ",".join("-".join(map(str, run)) for run in runs)
    return f"{text}." if text else ""


def _item(item: Item) -> str:
    match item:
        case ChordItem():
            push = _PUSHES[item.push_quarters.denominator if item.push_quarters else 0]
            return f"{push}{item.chord.symbol}{_MARKS[item.articulation]}"
        case NoChordItem():
            push = _PUSHES[item.push_quarters.denominator if item.push_quarters else 0]
            return f"{push}N.C.{_MARKS[item.articulation]}"
        case RestItem():
            return "r"
        case SimileItem():
            return "%" * item.bars_back
        case MeterItem():
            return str(item.meter)
        case Direction():
            return f'"{item.text}"'
        case _:
            return "/"
