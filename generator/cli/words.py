"""What the commands share: lists in options, durations, a progress bar that knows its terminal."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["cache_folder", "duration", "printable", "progress_bar", "split_words"]


def split_words(values: list[str] | None) -> tuple[str, ...]:
    """Read an option that takes a comma-separated list and may be given several times.

    >>> split_words(["bass, pad", "drums"])
    ('bass', 'pad', 'drums')
    """
    words = (word.strip() for value in values or () for word in value.split(","))
    return tuple(dict.fromkeys(word for word in words if word))


def cache_folder() -> Path:
    """Return the user's folder for recorded notes, as the system names it."""
    from platformdirs import user_cache_path

    return user_cache_path("chartbed") / "notes"


def printable(text: str) -> str:
    r"""Return text from a file as a terminal may show it: one line, nothing that it would obey.

    >>> printable("Blue\x1b[31m Door")
    'Blue\ufffd[31m Door'
    """
    return "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.split()))


def duration(time_s: float) -> str:
    """Write a duration as minutes and seconds.

    >>> duration(104.2)
    '1:44'
    """
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes}:{seconds:02d}"


@contextmanager
def progress_bar(quiet: bool = False) -> Iterator[Callable[[str, float], None] | None]:
    """Show a bar on standard error while the block runs; nothing when it is no terminal."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from contextlib import ExitStack

    with ExitStack() as stack:
        update: Callable[[str, float], None] | None = None

        def show(stage: str, share: float) -> None:
            # The bar has a thread of its own, which starts as late as can be.
            nonlocal update
            if update is None:
                update = stack.enter_context(_bar())
            update(stage, share)

        yield show


@contextmanager
def _bar() -> Iterator[Callable[[str, float], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:.0f} %"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)
