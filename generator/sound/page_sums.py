"""Sums of pages: what tells a megabyte from a damaged one in a tenth of the time of a CRC-32."""

__all__ = ["page_sums"]

_PAGE_BYTES = 4096


def page_sums(content: memoryview) -> bytes:
    """Return the sums of the words of each page, and what is left behind the last one.

    Every page still counts, where it stands.
    """
    if content.nbytes < _PAGE_BYTES:
        return bytes(content)
    import numpy as np

    octets = np.frombuffer(content, np.uint8)
    whole = octets.size // _PAGE_BYTES * _PAGE_BYTES
    sums = octets[:whole].view(np.uint64).reshape(-1, _PAGE_BYTES // 8).sum(axis=1)
    return bytes(sums.data) + bytes(octets[whole:].data)
