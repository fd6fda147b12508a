"""Work in a second process: its result comes back, and its failure is as if there were no copy."""

import os
import signal
import sys
import threading

import pytest

from generator.errors import OptionError
from generator.pipeline.beside import beside

linux = pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")


@pytest.fixture
def one_thread(monkeypatch):
    """Let the copy be made although the test runner has threads: the work does not touch them."""
    monkeypatch.setattr("generator.pipeline.beside.threading.active_count", lambda: 1)


@linux
def test_the_work_is_done_in_another_process_while_this_one_does_something(one_thread):
    done = []
    worker, answer = beside(lambda: (os.getpid(), 42), lambda: done.append(os.getpid()))
    assert answer == 42
    assert worker != os.getpid()
    assert done == [os.getpid()]


@linux
def test_an_error_of_the_work_arises_here(one_thread):
    def work() -> None:
        raise OptionError("no such thing")

    with pytest.raises(OptionError, match="no such thing"):
        beside(work, lambda: None)


@linux
@pytest.mark.parametrize("fate", ["killed", "does not pickle"])
def test_where_the_copy_fails_the_work_is_done_here(one_thread, fate):
    here = os.getpid()

    def work() -> object:
        if os.getpid() == here:
            return "here"
        if fate == "killed":
            os.kill(os.getpid(), signal.SIGKILL)
        return lambda: None

    assert beside(work, lambda: None) == "here"


@linux
def test_an_error_of_this_process_ends_the_other(one_thread, monkeypatch):
    started, copies, fork = [], [], os.fork

    def noted() -> int:
        copies.append(fork())
        return copies[-1]

    monkeypatch.setattr("generator.pipeline.beside.os.fork", noted)

    def meanwhile() -> None:
        started.append(True)
        raise KeyboardInterrupt

    def work() -> None:
        while True:
            signal.pause()

    with pytest.raises(KeyboardInterrupt):
        beside(work, meanwhile)
    assert started
    with pytest.raises(ProcessLookupError):
        os.kill(copies[0], 0)


def test_beside_threads_nothing_is_copied():
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    try:
        assert beside(os.getpid, lambda: None) == os.getpid()
    finally:
        stop.set()
        thread.join()
