"""What arrays leave behind: glibc keeps memory for the process, other libraries as they like."""

import contextlib
import ctypes

__all__ = ["give_back", "give_back_large_arrays"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # M_... of malloc.h
_LARGE_BYTES = 1 << 20
_KEPT_BYTES = 16 << 20


def give_back() -> None:
    """Give back what was freed until now, 100 MB after a track."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def give_back_large_arrays() -> None:
    """Have arrays of a megabyte and more given back as they are freed, from now on.

    glibc else keeps them among the small ones, where recordings that come and go for an hour leave
    gaps of 40 MB. To get them anew each time costs a short track a tenth of its time. Blocks are a
    little smaller; so that they are not given back too, some memory is kept.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_MMAP_THRESHOLD, _LARGE_BYTES)
        library.mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)  # else 128 kB, once the other is set
