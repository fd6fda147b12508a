"""Numbers drawn by lot that are the same each time: from a hash of what they are for.

Each has a key and a place of its own, so that a note more leaves the others alone. Whole numbers
only: they are the same on any machine.
"""

import hashlib

__all__ = ["ONE_SIGMA", "key_of", "near_normal"]

ONE_SIGMA = 1 << 15
"""The standard deviation of `near_normal`."""


def key_of(text: str) -> int:
    """Return a key, 64 bits, for what is drawn for one purpose.

    >>> key_of("7/bass") == key_of("7/bass"), key_of("7/bass") == key_of("8/bass")
    (True, False)
    """
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big")


def near_normal(key: int, place: int) -> int:
    """Return a near-normal number of mean 0, standard deviation 2**15 and at most three of them.

    The sum of three uniform 16-bit numbers; the bits come from the finaliser of SplitMix64
    (Steele, Lea and Flood 2014).
    """
    mask = 0xFFFFFFFFFFFFFFFF
    x = (key + (place + 1) * 0x9E3779B97F4A7C15) & mask
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & mask
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & mask
    x ^= x >> 31
    return (x & 0xFFFF) + (x >> 16 & 0xFFFF) + (x >> 32 & 0xFFFF) - 98302
