"""One run at a time in a pack's folder.

The lock is held by the system for as long as the process lives, so a run that died leaves none; the
file that carries it names its owner for the message.
"""

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from generator.errors import PackError

__all__ = ["LOCK", "locked"]

LOCK = ".chartbed.lock"


@contextmanager
def locked(pack: Path) -> Iterator[bool]:
    """Hold the lock of a pack; yields whether an earlier run died in this folder.

    Raises
    ------
    PackError
        If another run holds it; the message names the process and its machine.
    """
    path = pack / LOCK
    with path.open("a+", encoding="utf-8") as file:
        if not _take(file):
            raise PackError(
                f"{pack}: another run works in this folder ({_owner(path)}); wait for it, or "
                "choose another folder with -o"
            )
        died = bool(path.read_text(encoding="utf-8").strip())
        file.truncate(0)
        file.write(json.dumps({"process": os.getpid(), "machine": socket.gethostname()}))
        file.flush()
        try:
            yield died
        finally:
            # The file stays: were it removed, a waiting run could lock a file that has no name.
            file.truncate(0)


def _take(file: IO[str]) -> bool:
    try:
        import fcntl
    except ImportError:  # Windows
        return _take_on_windows(file)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _take_on_windows(file: IO[str]) -> bool:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    try:
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError:
        return False
    return True


def _owner(path: Path) -> str:
    try:
        owner = json.loads(path.read_text(encoding="utf-8"))
        return f"process {owner['process']} on {owner['machine']}"
    except (OSError, ValueError, KeyError):
        return "its name could not be read"
