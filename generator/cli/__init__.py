"""The command line: words and progress only.

One module a group of commands; each imports what it runs inside the command, so that `--help` and
`check` start quickly. Exit codes: 0 done, 1 something failed while working, 2 the input or the
usage is wrong, 130 interrupted.
"""

from generator.cli.app import main

__all__ = ["main"]
