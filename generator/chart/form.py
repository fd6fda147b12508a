"""The play order that a `Form:` head gives by section names."""

import re
from collections.abc import Sequence

from generator.chart.model import Span
from generator.chart.source import ProblemList
from generator.chart.suggest import did_you_mean
from generator.chart.values import short

__all__ = ["read_form"]

_WORD = re.compile(r"[^\s,]+")


def read_form(
    text: str, span: Span, sections: Sequence[tuple[str, Span]], problems: ProblemList
) -> tuple[str, ...]:
    """Parse `form = name {name}`, the names being those of sections, which may hold blanks.

    Parameters
    ----------
    sections : sequence of (str, Span)
        Name and place of every section of the chart, in order.
    """
    _check_names(sections, problems)
    names = {" ".join(_WORD.findall(name.casefold())): name for name, _ in sections if name}
    words = [(match[0], match.start()) for match in _WORD.finditer(text)]
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
                f"sections are {', '.join(list(names.values())[:12])}"
                if names
                else "name one, such as [A]"
            )
            message = f"no section [{short(word)}] for the form to play; {hint}"
            problems.add(Span(span.line, span.column + offset), message)
            i += 1
    return tuple(form)


def _check_names(sections: Sequence[tuple[str, Span]], problems: ProblemList) -> None:
    seen: set[str] = set()
    for name, span in sections:
        fold = name.casefold()
        if fold in seen:
            message = f"a second section [{name}], but Form plays by name; rename it"
            problems.add(span, message)
        seen.add(fold)
