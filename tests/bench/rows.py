"""One row of the table: our command, the command that it is measured against, the targets."""

import contextlib
import ctypes
import os
import shutil
import statistics
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Measured", "Row", "Run", "compare", "remover", "run", "table"]

Command = Sequence[str | Path]

_SET_CHILD_SUBREAPER = 36  # of Linux: prctl(2), PR_SET_CHILD_SUBREAPER


@dataclass(frozen=True, slots=True)
class Run:
    """One whole process, or a few one after the other."""

    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(frozen=True, slots=True)
class Row:
    """`ours` against `theirs`: each a list of commands to be run one after the other."""

    work: str
    against: str
    ours: tuple[Command, ...]
    theirs: tuple[Command, ...]
    target: float
    stretch: float | None = None
    before: Callable[[], None] | None = None
    pairs: int | None = None
    theirs_times: int = 1  # one run of theirs stands for so many


@dataclass(frozen=True, slots=True)
class Measured:
    """Medians over interleaved pairs; the ratio is the median of the pairs' ratios."""

    row: Row
    ours: Run
    theirs: Run
    ratio: float
    pairs: int


def remover(*paths: Path) -> Callable[[], None]:
    """Return what removes these files and folders if they are there."""

    def remove() -> None:
        for path in paths:
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)

    return remove


def run(commands: Sequence[Command]) -> Run:
    """Run commands one after the other; wall time, processor time, greatest memory.

    Processes that a command leaves to end by themselves, such as a server of processes, count too:
    they become children of this one.
    """
    ctypes.CDLL(None).prctl(_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    cpu_s = peak_mb = 0.0
    start = time.perf_counter()
    for command in commands:
        process = subprocess.Popen(
            [str(word) for word in command], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        assert process.stderr is not None
        said = process.stderr.read()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        process.stderr.close()
        if process.returncode != 0:
            words = " ".join(map(str, command))
            raise SystemExit(f"failed: {words}\n{said.decode(errors='replace')}")
        cpu_s += usage.ru_utime + usage.ru_stime
        peak_mb = max(peak_mb, usage.ru_maxrss / 1024)
    wall_s = time.perf_counter() - start
    with contextlib.suppress(ChildProcessError):
        while True:
            _, _, usage = os.wait4(-1, 0)
            cpu_s += usage.ru_utime + usage.ru_stime
            peak_mb = max(peak_mb, usage.ru_maxrss / 1024)
    return Run(wall_s, cpu_s, peak_mb)


def compare(row: Row, pairs: int) -> Measured:
    """Run both sides in turn, short ones once before to warm the disk cache; take medians.

    What has to be gone `before` a run is removed before it, so that both sides write new files, and
    what others wrote is on the disk: else the next run would wait for it to be taken there.
    """
    before = row.before or (lambda: None)

    def fresh(commands: Sequence[Command]) -> Run:
        before()
        os.sync()
        return run(commands)

    if row.pairs is None:
        fresh(row.ours)
        fresh(row.theirs)
    ours, theirs = [], []
    for _ in range(row.pairs or pairs):
        ours.append(fresh(row.ours))
        one = fresh(row.theirs)
        many = row.theirs_times
        theirs.append(Run(one.wall_s * many, one.cpu_s * many, one.peak_mb))
    ratios = [a.wall_s / b.wall_s for a, b in zip(ours, theirs, strict=True)]
    return Measured(row, _median(ours), _median(theirs), statistics.median(ratios), len(ratios))


def table(measured: Sequence[Measured]) -> str:
    """Return the Markdown table."""
    lines = [
        "| work | against | ours s | theirs s | ratio | CPU ratio | target | stretch | met | MB |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for m in measured:
        met = "stretch" if m.row.stretch is not None and m.ratio <= m.row.stretch else ""
        met = met or ("yes" if m.ratio <= m.row.target else "no")
        stretch = "" if m.row.stretch is None else f"{m.row.stretch:g}"
        lines.append(
            f"| {m.row.work} | {m.row.against} | {m.ours.wall_s:.2f} | {m.theirs.wall_s:.2f} "
            f"| {m.ratio:.3f} | {m.ours.cpu_s / m.theirs.cpu_s:.3f} | {m.row.target:g} | {stretch} "
            f"| {met} | {m.ours.peak_mb:.0f} |"
        )
    return "\n".join(lines)


def _median(runs: Sequence[Run]) -> Run:
    return Run(
        statistics.median(run.wall_s for run in runs),
        statistics.median(run.cpu_s for run in runs),
        max(run.peak_mb for run in runs),
    )
