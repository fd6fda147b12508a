"""The command line: words and progress only.

One module a group of commands; each imports what it runs inside the command, so that `--help` and
`check` start quickly. Exit codes: 0 done, 1 something failed while working, 2 the input or the
usage is wrong, 130 interrupted.
"""

import gc
from typing import NoReturn

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run `chartbed` and leave with its exit code."""
    # A short-lived process that makes few cycles: hardly a round of the collector, from the
    # imports on.
    gc.set_threshold(200_000, 20, 100)
    from generator.cli.app import main as run

    run(arguments)
