"""The command line: words and progress only.

One module a group of commands; each imports what it runs inside the command, so that `--help` and
`check` start quickly. Exit codes: 0 done, 1 something failed while working, 2 the input or the
usage is wrong, 130 interrupted.
"""

import atexit
import gc
import os
import signal
import sys
import threading
from contextlib import suppress
from typing import NoReturn

__all__ = ["INTERRUPTED", "main"]

INTERRUPTED = 130
"""The exit code after Ctrl-C, as shells have it."""

_WITHOUT_PROCESSES = frozenset(("-h", "--help", "--verify", "--dry-run", "--cluster"))
"""Options of `pack` that have no track made in a process of ours."""

_AGAIN_S = 0.01


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run `chartbed` and leave with its exit code."""
    # A short-lived process that makes few cycles: hardly a round of the collector, from the
    # imports on.
    gc.set_threshold(200_000, 20, 100)
    # A virtual machine gets small pages four times as fast as large ones that it has not used yet.
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    # No threads of the linear algebra library, whose products here are too small to share.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.unraisablehook = _try_again
    arguments = sys.argv[1:] if arguments is None else arguments
    if arguments[:1] in (["render"], ["demo"]) and (os.cpu_count() or 1) > 1:
        from generator.beside import stand_by
        from generator.pipeline.worked_out import LOADS

        # The notes will be worked out there: it loads the band while this one reads its orders.
        stand_by(*LOADS)
    try:
        names = {argument.partition("=")[0] for argument in arguments}
        if arguments[:1] == ["pack"] and names.isdisjoint(_WITHOUT_PROCESSES):
            from generator.pack.processes import get_ready

            with suppress(OSError):  # tried again where the first of them is needed
                get_ready()
        from generator.cli.app import main as run

        run(arguments)
    except KeyboardInterrupt:  # before there was anything to clean up
        print("chartbed: interrupted", file=sys.stderr)
        sys.exit(INTERRUPTED)
    except SystemExit as end:
        if end.code in (None, 0) and threading.active_count() == 1:
            # All is written: what Python would take apart now is memory, which goes anyway.
            atexit._run_exitfuncs()  # a pack has a folder of sockets to remove
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(0)
        raise


def _try_again(lost: "sys.UnraisableHookArgs") -> None:
    """Interrupt once more where Python drops exceptions, as in a callback of the import system."""
    if isinstance(lost.exc_value, KeyboardInterrupt):
        threading.Timer(_AGAIN_S, signal.raise_signal, [signal.SIGINT]).start()
    else:
        sys.__unraisablehook__(lost)
