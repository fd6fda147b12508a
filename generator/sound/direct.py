"""A large file on its way to the disk, directly and beside the work.

To keep what is written in the memory of the system first costs its time: for each page it has to
find memory, note where on the disk the page belongs, and take the memory back. In a virtual machine
a gigabyte took 2.5 s so, and 0.06 s directly. Nor does a pack push out what others keep there.
"""

import errno
import os
import time
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from generator.sound import native
from generator.sound.native import PAGE_BYTES

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["DirectFile"]

_MOST_WAITING = 3
_SLOW_BYTES_A_S = 200e6
"""A disk that takes less is not waited for: the system writes to it when there is time."""


class DirectFile:
    """A new file that takes arrays in a thread of its own.

    Whole pages of memory go directly to where whole pages of the file lie, if the system, the disk
    and its format let them; all else takes the usual way. The bytes are the same.

    Raises
    ------
    OSError
        If the file cannot be made.
    """

    def __init__(self, path: Path, *, directly: bool) -> None:
        self._file = path.open("wb", buffering=0)
        self._direct_flag = getattr(os, "O_DIRECT", 0) if directly else 0  # not on every system
        self._is_direct = False
        self._position = 0
        self._thread = ThreadPoolExecutor(1, "disk")
        self._waiting: deque[Future[None]] = deque()

    def write(self, data: "NDArray[Any]") -> None:
        """Take an array, which must not change any more.

        Raises
        ------
        OSError
            If what was taken before could not be written.
        """
        if len(self._waiting) == _MOST_WAITING:
            self._waiting.popleft().result()
        self._waiting.append(self._thread.submit(self._put, data))

    def close(self) -> None:
        """Write what waits, and close the file; raise as `write` does. Closed again, do nothing."""
        try:
            while self._waiting:
                self._waiting.popleft().result()
        finally:
            self._thread.shutdown()
            self._file.close()

    def _put(self, data: "NDArray[Any]") -> None:
        octets = data.data.cast("B")
        places = self._position, len(octets), native.address(data)
        self._go(directly=not any(place % PAGE_BYTES for place in places))
        start = time.perf_counter()
        self._position += len(octets)
        while octets:
            try:
                octets = octets[os.write(self._file.fileno(), octets) :]
            except OSError as error:
                if error.errno != errno.EINVAL or not self._is_direct:
                    raise
                self._give_up()  # this disk has larger pages
            if octets:
                self._go(directly=False)  # no whole page may be left
        if self._is_direct and time.perf_counter() - start > places[1] / _SLOW_BYTES_A_S:
            self._give_up()

    def _give_up(self) -> None:
        self._go(directly=False)
        self._direct_flag = 0

    def _go(self, *, directly: bool) -> None:
        if directly == self._is_direct or not self._direct_flag:
            return
        import fcntl

        with suppress(OSError):  # this disk may know no direct way
            flags = fcntl.fcntl(self._file, fcntl.F_GETFL)
            fcntl.fcntl(self._file, fcntl.F_SETFL, flags ^ self._direct_flag)
            self._is_direct = directly
