"""Every exception that chartbed raises on purpose.

A message says what is wrong, where, what was got, and what to do about it::

    ChartbedError
    ├── InputError               exit code 2: what was given cannot be used
    │   ├── ChartError           the chart text; carries every Problem found in it
    │   ├── ChordError           one chord symbol
    │   ├── KeyNameError         a key name
    │   ├── StyleError           a style file, or the name of a style
    │   ├── ChordMapError        a chord map file
    │   ├── ImportFileError      a file of another format that is to become a chart
    │   ├── FontError            a SoundFont
    │   └── OptionError          an option of the command line
    └── WorkError                exit code 1: something failed while working
        ├── MissingToolError     a program or library that must be installed
        ├── SynthError           the synthesiser refused
        ├── EncodeError          an audio encoder failed
        ├── OutputError          a file or folder cannot be written
        └── PackError            some tracks of a pack failed
"""

from generator.record import record

__all__ = [
    "ChartError",
    "ChartbedError",
    "ChordError",
    "ChordMapError",
    "EncodeError",
    "FontError",
    "ImportFileError",
    "InputError",
    "KeyNameError",
    "MissingToolError",
    "OptionError",
    "OutputError",
    "PackError",
    "Problem",
    "StyleError",
    "SynthError",
    "WorkError",
]


class ChartbedError(Exception):
    """Root of the tree: catch this to catch everything that chartbed raises on purpose."""

    exit_code = 1


class InputError(ChartbedError):
    """What was given cannot be used; nothing was written."""

    exit_code = 2


@record
class Problem:
    """One fault in a text, with the place it stands at and the remedy.

    `line` and `column` count from 1; `source_line` is the whole line, for the caret. A fault of the
    file as a whole has none.
    """

    source_name: str
    line: int
    column: int
    message: str
    source_line: str

    def __str__(self) -> str:
        if not self.source_line:
            return f"{self.source_name}:{self.line}:{self.column}: {self.message}"
        # A tab before the column is kept, so that the caret stands under the same character; what a
        # terminal would obey is not shown as it is.
        lead = "".join("\t" if c == "\t" else " " for c in self.source_line[: self.column - 1])
        shown = "".join(c if c == "\t" or c.isprintable() else "\ufffd" for c in self.source_line)
        return (
            f"{self.source_name}:{self.line}:{self.column}: {self.message}\n"
            f"    {shown}\n"
            f"    {lead}^"
        )


class ChartError(InputError):
    """Chart text that cannot be read; `problems` holds all of them, in the order of the text."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class ChordError(InputError):
    """A chord symbol that cannot be read.

    `offset` counts characters from the start of the symbol to the fault, from 0.
    """

    def __init__(self, message: str, *, offset: int = 0) -> None:
        self.offset = offset
        super().__init__(message)


class KeyNameError(InputError):
    """A key name that cannot be read, or a key that nobody writes."""


class StyleError(InputError):
    """A style that does not exist or whose file does not hold."""


class ChordMapError(InputError):
    """A chord map whose file does not hold; the message names the field."""


class ImportFileError(InputError):
    """A file of another format that cannot become a chart."""


class FontError(InputError):
    """A SoundFont that is absent, broken or not General MIDI."""


class OptionError(InputError):
    """An option whose value makes no sense."""


class WorkError(ChartbedError):
    """Something failed while working; what is finished stands, no half file is left."""


class MissingToolError(WorkError):
    """A program or system library is absent; the message holds the line that installs it."""


class SynthError(WorkError):
    """The synthesiser reported a failure."""


class EncodeError(WorkError):
    """An audio file could not be encoded."""


class OutputError(WorkError):
    """A file or folder cannot be written."""


class PackError(WorkError):
    """Some tracks of a pack failed; the rest is delivered."""
