"""Work in a second process: its result comes back, and its failure is as if there were no copy."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from generator import beside as room
from generator.beside import beside, stand_by
from generator.errors import OptionError

linux = pytest.mark.skipif(sys.platform != "linux", reason="processes are copied on Linux only")


@pytest.fixture
def one_thread(monkeypatch):
    """Let the copy be made although the test runner has threads: the work does not touch them."""
    monkeypatch.setattr("generator.beside.threading.active_count", lambda: 1)


@pytest.fixture
def copies(one_thread, monkeypatch):
    """Return the processes that are started."""
    started, fork = [], os.fork

    def noted() -> int:
        process = fork()
        if process:
            started.append(process)
        return process

    monkeypatch.setattr("generator.beside.os.fork", noted)
    return started


def own_numbers() -> Iterator[tuple[int, int]]:
    yield os.getpid(), 42
    yield os.getpid(), 43


def fail() -> Iterator[None]:
    yield None
    raise OptionError("no such thing")


def loaded(module: str) -> Iterator[bool]:
    yield module in sys.modules


def be_killed(here: int) -> Iterator[str]:
    yield "first"
    if os.getpid() != here:
        os.kill(os.getpid(), signal.SIGKILL)
    yield "here"


def give_what_does_not_pickle(here: int) -> Iterator[object]:
    yield "first"
    yield "here" if os.getpid() == here else lambda: None


def give_too_much(here: int) -> Iterator[str]:
    """Die with a result half in the pipe, which holds 1 MiB."""
    yield "first"
    if os.getpid() != here:
        signal.setitimer(signal.ITIMER_REAL, 0.2)  # its signal ends a process
        yield "x" * 3_000_000
    yield "here"


def wait_for_ever() -> Iterator[None]:
    while True:
        signal.pause()
    yield


def is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


@linux
def test_the_work_is_done_in_another_process_while_this_one_goes_on(one_thread):
    with beside(own_numbers) as results:
        (worker, first), (same, second) = results
    assert (first, second) == (42, 43)
    assert worker == same != os.getpid()


@linux
def test_the_process_may_be_there_beforehand_and_have_loaded_what_it_needs(copies):
    assert not any(loaded("this"))
    stand_by("this")
    stand_by("this")  # one is enough
    assert len(copies) == 1
    with beside(partial(loaded, "this")) as results:
        assert next(results)
    with beside(partial(loaded, "this")) as results:
        assert not next(results), "the next one is another process"
    assert len(copies) == 2
    assert all(map(is_gone, copies))


@linux
def test_what_stands_by_in_vain_ends_with_the_first_process():
    code = """if True:
        import os
        from generator import beside
        beside.stand_by("json")
        print(beside._standing_by[0].process, flush=True)
        os._exit(2)
    """
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    # The copy holds the pipe to this process: that it is closed says that the copy has ended.
    assert ran.returncode == 2
    assert ran.stderr == ""
    assert int(ran.stdout) > 0


@linux
def test_an_error_of_the_work_arises_here(one_thread):
    with beside(fail) as results:
        next(results)
        with pytest.raises(OptionError, match="no such thing"):
            next(results)


@linux
@pytest.mark.parametrize("work", [be_killed, give_what_does_not_pickle, give_too_much])
def test_where_the_copy_fails_the_work_is_done_here(one_thread, work):
    with beside(partial(work, os.getpid())) as results:
        assert next(results) == "first"
        time.sleep(0.3)
        assert list(results) == ["here"]


@linux
def test_where_the_copy_is_gone_before_it_is_asked_the_work_is_done_here(copies):
    stand_by()
    os.kill(copies[0], signal.SIGKILL)
    status = Path(f"/proc/{copies[0]}/stat")
    while status.read_text().rpartition(")")[2].split()[0] != "Z":
        time.sleep(0.01)
    with beside(own_numbers) as results:
        assert list(results) == [(os.getpid(), 42), (os.getpid(), 43)]


@linux
def test_an_error_of_this_process_ends_the_other(copies):
    with pytest.raises(KeyboardInterrupt), beside(wait_for_ever):
        raise KeyboardInterrupt
    assert is_gone(copies[0])


def test_beside_threads_nothing_is_copied():
    stop = threading.Event()
    thread = threading.Thread(target=stop.wait)
    thread.start()
    try:
        stand_by()
        assert not room._standing_by
        with beside(own_numbers) as results:
            assert next(results) == (os.getpid(), 42)
    finally:
        stop.set()
        thread.join()
