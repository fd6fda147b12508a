"""Charts from files of other formats: `.lab`, JAMS, MusicXML, and MIDI with chord text.

What a chart cannot say, or an importer cannot read, becomes a remark with its place; a chord that
cannot be read leaves `N.C.` where it stood. The text that comes out is always a chart that parses.
"""

from collections.abc import Callable
from fractions import Fraction
from importlib import import_module
from pathlib import Path

from generator.chart.meter import Meter
from generator.chordmap.importer.sheet import Sheet, chart_text
from generator.errors import ChartError, ImportFileError
from generator.record import record

__all__ = ["IMPORTS", "ImportResult", "import_chart"]

IMPORTS = {
    ".lab": "lab",
    ".jams": "jams",
    ".musicxml": "musicxml",
    ".xml": "musicxml",
    ".mxl": "musicxml",
    ".mid": "midi",
    ".midi": "midi",
}
"""Module by the ending of the file name."""

_MAX_BYTES = 64 * 2**20


@record
class ImportResult:
    """Chart text, and what could not be carried over, each with its place in the file."""

    text: str
    remarks: tuple[str, ...]


def import_chart(
    path: Path | str, *, quarter_bpm: Fraction | None = None, meter: Meter | None = None
) -> ImportResult:
    """Make a chart from a file of another format, told by the ending of its name.

    Parameters
    ----------
    path : Path or str
        A file whose name ends as a key of `IMPORTS`.
    quarter_bpm : Fraction, optional
        Tempo for a file that has chords in seconds and no beats (`.lab`, and JAMS without
        beats); guessed from the chords when it is not given, and the guess is a remark.
    meter : Meter, optional
        Meter for such a file, 4/4 when it is not given.

    Raises
    ------
    ImportFileError
        If the file cannot be read, is of no such format, or holds no chords.
    """
    source = Path(path)
    ending = source.suffix.lower()
    if ending not in IMPORTS:
        known = ", ".join(IMPORTS)
        raise ImportFileError(
            f"{source}: cannot import {ending or 'a file without ending'}; "
            f"these endings can be: {known}"
        )
    try:
        if source.stat().st_size > _MAX_BYTES:
            raise ImportFileError(f"{source}: over {_MAX_BYTES // 2**20} MiB; split the file")
        content = source.read_bytes()
    except OSError as error:
        raise ImportFileError(f"{source}: cannot be read: {error.strerror or error}") from error
    read: Callable[..., Sheet] = import_module(
        f"generator.chordmap.importer.{IMPORTS[ending]}"
    ).read
    try:
        sheet = read(content, source.stem, quarter_bpm=quarter_bpm, meter=meter)
    except ImportFileError as error:
        raise ImportFileError(f"{source}: {error}") from error
    text, remarks = chart_text(sheet)
    _check(text, source)
    return ImportResult(text, remarks)


def _check(text: str, source: Path) -> None:
    from generator.chart.parser import parse_chart

    try:
        parse_chart(text, f"chart from {source.name}")
    except ChartError as error:
        first = error.problems[0]
        raise ImportFileError(
            f"{source}: what it says makes no chart: {first.message} (in '{first.source_line}')"
        ) from error
