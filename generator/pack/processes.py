"""How the processes of a pack are started; importing this takes little time.

They are no copies of the first process, which would hand down the locks of its threads and the open
lock file: they are copies of a server that has loaded what they need and does nothing else, or,
where there can be none, fresh.
"""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from multiprocessing import get_all_start_methods, get_context
from multiprocessing.context import BaseContext

from generator.pipeline.worked_out import LOADS

__all__ = ["ctrl_c_waits", "get_ready", "processes"]

_SOCKET = "/pymp-01234567/listener-01234567"
"""What the name of the server's socket adds to that of the folder of temporary files."""

_LONGEST_SOCKET_BYTES = 103
"""How long its whole name may be: 107 on Linux, 103 on macOS (unix(7), `sun_path` there)."""

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
def _has_server() -> bool:
    """Return whether there can be a server; its socket lies in the folder of temporary files."""
    import tempfile

    name = os.fsencode(tempfile.gettempdir() + _SOCKET)
    return "forkserver" in get_all_start_methods() and len(name) <= _LONGEST_SOCKET_BYTES


@cache
def processes() -> BaseContext:
    """Return what starts processes."""
    if not _has_server():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(list(_LOADS))
    return context


def get_ready() -> None:
    """Start the server, where there can be one: it loads for a while."""
    if not _has_server():
        return
    from multiprocessing import forkserver, resource_tracker

    processes()
    resource_tracker.ensure_running()  # which unblocks signals, and is needed first
    with ctrl_c_waits():  # and is never heard by the server, which is born deaf
        forkserver.ensure_running()


@contextmanager
def ctrl_c_waits() -> Iterator[None]:
    """Let an interrupt of the terminal come when the block is done: nothing is half begun."""
    if not _has_server():
        yield
        return
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
