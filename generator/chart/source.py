"""Chart text as lines, and the list in which its problems gather.

A chart is UTF-8; a byte-order mark is dropped and lines may end as on any system. The limits here
and in `heads.py` and `roadmap.py` keep a hostile text cheap: what lies beyond them is an error.
"""

import hashlib
import re
import sys
from pathlib import Path
from typing import NamedTuple

from generator.chart.model import Span
from generator.errors import ChartError, Problem

__all__ = ["MAX_BYTES", "MAX_LINE", "MAX_PROBLEMS", "ProblemList", "Source", "load_source"]

MAX_BYTES = 1 << 20
"""Longest chart text, in bytes of UTF-8."""

MAX_LINE = 1000
"""Longest line, in characters."""

MAX_PROBLEMS = 100
"""How many problems one report holds at most."""

_NEWLINE = re.compile(r"\r\n|\r|\n")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")
_SHOWN = 200


class Source(NamedTuple):
    """The text of a chart: its name for messages, its lines, and the SHA-256 of its UTF-8 text."""

    name: str
    lines: tuple[str, ...]
    sha256: str


class TooManyProblemsError(Exception):
    """Raised inside the parser when reading on would only pile up more problems."""


class ProblemList:
    """Gather the problems of one source, at most `MAX_PROBLEMS` of them."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._problems: list[Problem] = []

    def __len__(self) -> int:
        return len(self._problems)

    def __bool__(self) -> bool:
        return bool(self._problems)

    def add(self, span: Span, message: str) -> None:
        """Record a fault, once a place; stop the reading when there are too many."""
        lines = self._source.lines
        line = lines[span.line - 1] if 1 <= span.line <= len(lines) else ""
        if len(line) > _SHOWN:
            line = line[: max(_SHOWN, span.column)]
        problem = Problem(self._source.name, span.line, span.column, message, line)
        if any((p.line, p.column) == (span.line, span.column) for p in self._problems[-8:]):
            return
        self._problems.append(problem)
        if len(self._problems) > MAX_PROBLEMS:
            raise TooManyProblemsError

    def error(self) -> ChartError:
        """Return the error that carries every problem, in the order of the text."""
        ordered = sorted(self._problems, key=lambda problem: (problem.line, problem.column))
        if len(ordered) > MAX_PROBLEMS:
            last = ordered[MAX_PROBLEMS]
            message = f"more than {MAX_PROBLEMS} problems; mend those above and check again"
            rest = Problem(last.source_name, last.line, last.column, message, last.source_line)
            ordered = [*ordered[:MAX_PROBLEMS], rest]
        return ChartError(tuple(ordered))


def load_source(path: Path | str) -> Source:
    """Read chart text from a file, or from standard input when `path` is "-".

    Raises
    ------
    ChartError
        If the file cannot be read, is over `MAX_BYTES`, or is not UTF-8.
    """
    name = "<stdin>" if str(path) == "-" else str(path)
    try:
        if str(path) == "-":
            data = sys.stdin.buffer.read(MAX_BYTES + 1)
        else:
            with Path(path).open("rb") as file:
                data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        message = f"cannot read the chart: {reason}; give the path of a .chart file"
        raise ChartError((Problem(name, 1, 1, message, ""),)) from error
    _check_size(name, len(data))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        lines = _NEWLINE.split(before)
        message = f"byte 0x{data[error.start]:02x} is not UTF-8; save the chart as UTF-8 text"
        shown = lines[-1][-_SHOWN:]
        raise ChartError((Problem(name, len(lines), len(shown) + 1, message, shown),)) from error
    return source_of(text, name)


def source_of(text: str, name: str) -> Source:
    """Split text into lines, refusing what is too big.

    Raises
    ------
    ChartError
        If the text is over `MAX_BYTES` in UTF-8.
    """
    data = text.encode("utf-8", "surrogatepass")
    _check_size(name, len(data))
    clean = data.decode("utf-8", "replace").removeprefix(
        "\ufeff"
    )  # a lone surrogate shows as \ufffd
    lines = tuple(_NEWLINE.split(clean))
    return Source(name, lines, hashlib.sha256(data).hexdigest())


def check_line(source: Source, number: int, problems: ProblemList) -> bool:
    """Return whether a line may be parsed; report it otherwise."""
    line = source.lines[number - 1]
    control = _CONTROL.search(line[:MAX_LINE])
    if control:
        code = ord(control[0])
        message = f"control character U+{code:04X} in the text; delete it"
        problems.add(Span(number, control.start() + 1), message)
    elif len(line) > MAX_LINE:
        message = f"line of {len(line)} characters; break lines at bar lines, {MAX_LINE} at most"
        problems.add(Span(number, 1), message)
    return control is None and len(line) <= MAX_LINE


def _check_size(name: str, size: int) -> None:
    if size > MAX_BYTES:
        message = f"chart text over {MAX_BYTES} bytes (1 MiB); split it into several charts"
        raise ChartError((Problem(name, 1, 1, message, ""),))
