"""How the processes of a pack are started; importing this takes little time.

They are no copies of the first process, which would hand down the locks of its threads and the open
lock file: they are copies of a server that has loaded what they need and does nothing else, or,
where there can be none, fresh.
"""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.context import BaseContext

from generator.pipeline.worked_out import LOADS

__all__ = ["ctrl_c_waits", "get_ready", "processes"]

_FORK_SERVER = "forkserver" in get_all_start_methods()
_LOADS = (
    *LOADS,
    "numpy",
    "generator.chordmap.build",
    "generator.chart.transpose",
    "generator.midi",
    "generator.pack.local",
    "generator.pipeline.products",
    "generator.pipeline.render",
    "generator.sound.master",
    "generator.sound.mixdown",
    "generator.sound.studio",
    "generator.sound.track",
)


@cache
def processes() -> BaseContext:
    """Return what starts processes."""
    if not _FORK_SERVER:
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(list(_LOADS))
    return context


def get_ready() -> None:
    """Start the server, where there can be one: it loads for a while."""
    if not _FORK_SERVER:
        return
    from multiprocessing import forkserver, resource_tracker

    processes()
    resource_tracker.ensure_running()  # which unblocks signals, and is needed first
    with ctrl_c_waits():  # and is never heard by the server, which is born deaf
        forkserver.ensure_running()


@contextmanager
def ctrl_c_waits() -> Iterator[None]:
    """Let an interrupt of the terminal come when the block is done: nothing is half begun."""
    if not _FORK_SERVER:
        yield
        return
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
