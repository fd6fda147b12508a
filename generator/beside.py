"""Two things at once that both keep Python busy, which threads cannot do: one in a second process.

A render works out its notes beside the start of its sound: neither needs the other at first. The
process is a copy of this one. It may be made long before its work is known, and load what that will
take while this one finds out.
"""

import itertools
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from typing import Any, BinaryIO, NamedTuple, NoReturn, TypeVar

__all__ = ["beside", "stand_by"]

_Result = TypeVar("_Result")
_Work = Callable[[], Iterator[Any]]


class _Second(NamedTuple):
    """A process, where its results are read, and where its work is written if it has none yet."""

    process: int
    results: int
    orders: int | None = None


_PIPE_BYTES = 1 << 20

_standing_by: list[_Second] = []


def stand_by(*modules: str) -> None:
    """Have a second process load modules and wait for the next work that `beside` is given.

    It ends when this process does, at the latest. Nothing happens where a process cannot be copied
    safely: on other systems than Linux, or with threads already at work.
    """
    if _is_safe() and not _standing_by:
        _standing_by.append(_copy(modules))


@contextmanager
def beside(work: Callable[[], Iterator[_Result]]) -> Iterator[Iterator[_Result]]:
    """Let `work` go on in a second process while the block runs, which is given its results.

    `work` must have no effect but its results; it and they must stand pickling. Where a process
    cannot be copied safely it is done here, and where the copy fails for whatever reason, from its
    start on; so errors arise as if there were no copy.
    """
    if not (_standing_by or _is_safe()):
        yield work()
        return
    second = _standing_by.pop() if _standing_by else _copy((), work)
    try:
        with open(second.results, "rb") as pipe:
            if second.orders is not None:
                _ask(second.orders, work)
            yield _results(pipe, work)
    finally:
        os.kill(second.process, signal.SIGKILL)
        os.waitpid(second.process, 0)


def _ask(orders: int, work: Callable[[], Iterator[_Result]]) -> None:
    import pickle

    # One that has failed will give no results.
    with suppress(BrokenPipeError), open(orders, "wb") as pipe:
        pipe.write(pickle.dumps(work, pickle.HIGHEST_PROTOCOL))


def _results(pipe: BinaryIO, work: Callable[[], Iterator[_Result]]) -> Iterator[_Result]:
    import pickle

    for count in itertools.count():
        try:
            more, result = pickle.load(pipe)
        except (EOFError, pickle.UnpicklingError):
            yield from itertools.islice(work(), count, None)
            return
        if not more:
            return
        yield result


def _is_safe() -> bool:
    return sys.platform == "linux" and threading.active_count() == 1


def _copy(modules: tuple[str, ...], work: _Work | None = None) -> _Second:
    """Start a process that does this work, or that loads modules and waits for its work."""
    import fcntl  # not on every system

    results_read, results_write = os.pipe()
    with suppress(OSError):  # so that it need not wait for a reader
        fcntl.fcntl(results_write, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
    orders_read, orders_write = os.pipe() if work is None else (None, None)
    process = os.fork()
    if process == 0:
        others = [end for end in (results_read, orders_write) if end is not None]
        _work_and_leave(modules, work, orders_read, results_write, others)
    os.close(results_write)
    if orders_read is not None:
        os.close(orders_read)
    return _Second(process, results_read, orders_write)


def _work_and_leave(
    modules: tuple[str, ...],
    work: _Work | None,
    orders: int | None,
    results: int,
    others: list[int],
) -> NoReturn:
    """Do the work and end without anything that the first process will do at its end.

    `others` are the ends of the pipes that are the first one's.
    """
    code = 1
    try:
        import gc
        import pickle

        gc.disable()  # the end comes before there is much to collect
        for end in others:
            os.close(end)
        for module in modules:
            import_module(module)
        if orders is not None:
            with open(orders, "rb") as pipe:
                order = pipe.read()
            work = pickle.loads(order) if order else None
        if work:
            with open(results, "wb") as pipe:
                for result in work():
                    pipe.write(pickle.dumps((True, result), pickle.HIGHEST_PROTOCOL))
                    pipe.flush()
                pipe.write(pickle.dumps((False, None), pickle.HIGHEST_PROTOCOL))
        code = 0
    finally:
        os._exit(code)
