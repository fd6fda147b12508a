"""Two things at once that both keep Python busy, which threads cannot do: one in a second process.

A render works out its notes beside the start of its sound: neither needs the other at first.
"""

import gc
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable
from typing import TypeVar

__all__ = ["beside"]

_Result = TypeVar("_Result")


def beside(work: Callable[[], _Result], meanwhile: Callable[[], None]) -> _Result:
    """Return what `work` returns, worked out in a copy of this process while it does `meanwhile`.

    `work` must have no effect but its result, which must stand pickling. Where a process cannot be
    copied safely (other systems than Linux, threads already at work), or where the copy fails for
    whatever reason, the work is done here; so errors arise as if there were no copy.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        meanwhile()
        return work()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        _work_and_leave(work, writer)
    os.close(writer)
    try:
        with open(reader, "rb") as pipe:
            meanwhile()
            content = pipe.read()
    except BaseException:
        os.kill(child, signal.SIGKILL)
        raise
    finally:
        _, status = os.waitpid(child, 0)
    return pickle.loads(content) if status == 0 else work()


def _work_and_leave(work: Callable[[], object], writer: int) -> None:
    """Write the result and end without anything that the first process will do at its end."""
    code = 1
    gc.disable()  # the end comes before there is much to collect
    try:
        with open(writer, "wb") as pipe:
            pipe.write(pickle.dumps(work(), pickle.HIGHEST_PROTOCOL))
        code = 0
    finally:
        os._exit(code)
