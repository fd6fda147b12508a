"""Two things at once that both keep Python busy, which threads cannot do: one in a second process.

A render works out its notes beside the start of its sound: neither needs the other at first. The
process is a copy of this one. It may be made long before its work is known, and load what that will
take while this one finds out.
"""

import os
import signal
import sys
import threading
from collections.abc import Callable
from importlib import import_module
from typing import Any, NamedTuple, TypeVar

__all__ = ["beside", "stand_by"]

_Result = TypeVar("_Result")


class _Second(NamedTuple):
    process: int
    work: int
    """The descriptor that its work is written to, and the one that its result is read from."""
    result: int


_standing_by: list[_Second] = []


def stand_by(*modules: str) -> None:
    """Have a second process load modules and wait for the next work of `beside`.

    It ends when this process does, at the latest. Nothing happens where a process cannot be copied
    safely: on other systems than Linux, or with threads already at work.
    """
    if _is_safe() and not _standing_by:
        _standing_by.append(_copy(modules))


def beside(work: Callable[[], _Result], meanwhile: Callable[[], None]) -> _Result:
    """Return what `work` returns, worked out in a second process while this one does `meanwhile`.

    `work` must have no effect but its result; both must stand pickling. Where a process cannot be
    copied safely, or where the copy fails for whatever reason, the work is done here; so errors
    arise as if there were no copy.
    """
    import pickle

    if not (_standing_by or _is_safe()):
        meanwhile()
        return work()
    second = _standing_by.pop() if _standing_by else _copy(())
    try:
        with open(second.result, "rb") as results:
            try:
                with open(second.work, "wb") as works:
                    works.write(pickle.dumps(work, pickle.HIGHEST_PROTOCOL))
            except BrokenPipeError:
                pass  # it has failed: there will be no result
            meanwhile()
            result = results.read()
    except BaseException:
        os.kill(second.process, signal.SIGKILL)
        raise
    finally:
        _, status = os.waitpid(second.process, 0)
    if status != 0:
        return work()
    found: _Result = pickle.loads(result)
    return found


def _is_safe() -> bool:
    return sys.platform == "linux" and threading.active_count() == 1


def _copy(modules: tuple[str, ...]) -> _Second:
    work_read, work_write = os.pipe()
    result_read, result_write = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(work_write)
        os.close(result_read)
        _work_and_leave(modules, work_read, result_write)
    os.close(work_read)
    os.close(result_write)
    return _Second(process, work_write, result_read)


def _work_and_leave(modules: tuple[str, ...], work: int, result: int) -> None:
    """Do the work and end without anything that the first process will do at its end."""
    import gc
    import pickle

    code = 1
    gc.disable()  # the end comes before there is much to collect
    try:
        for module in modules:
            import_module(module)
        with open(work, "rb") as works:
            asked = works.read()
        if asked:
            do: Callable[[], Any] = pickle.loads(asked)
            with open(result, "wb") as results:
                results.write(pickle.dumps(do(), pickle.HIGHEST_PROTOCOL))
        code = 0
    finally:
        os._exit(code)
