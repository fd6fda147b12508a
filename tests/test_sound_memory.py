"""What arrays leave behind goes back to the system."""

import os
import platform
import subprocess
import sys

import pytest

GAPS = """
import numpy as np
from generator.sound.memory import give_back, give_back_large_arrays

def resident_mb():
    with open("/proc/self/statm") as numbers:
        return int(numbers.read().split()[1]) * 4096 / 1e6

def given_back_mb(then=lambda: None):
    arrays = [np.ones(1 << (18 if n % 2 else 13)) for n in range(40)]  # 2 MB, 64 KB between
    between = arrays[::2]  # stay, so that the others leave gaps
    before = resident_mb()
    del arrays
    then()
    return before - resident_mb()

np.ones(1 << 21)  # glibc, which had it from the system, keeps arrays of this size from now on
"""
KEPT = GAPS + "print(given_back_mb(), given_back_mb(give_back))"
AT_ONCE = GAPS + "give_back_large_arrays(); print(given_back_mb())"  # no gap is there to be filled

BLOCKS = """
import resource
import numpy as np
from generator.sound.memory import give_back_large_arrays

give_back_large_arrays()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(100):
    np.ones(122_880)  # 240 pages, a little less than a megabyte
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def printed(script: str) -> list[float]:
    """Return the numbers that a new process prints."""
    # Dask, in a test before, leaves MALLOC_TRIM_THRESHOLD_ behind: with it there is no such rule.
    environment = {name: value for name, value in os.environ.items() if "MALLOC" not in name}
    run = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, env=environment
    )
    return [float(number) for number in run.stdout.split()]


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have no such rule")
def test_gaps_go_back_to_the_system_when_asked_and_large_ones_at_once():
    kept_mb, trimmed_mb = printed(KEPT)
    (at_once_mb,) = printed(AT_ONCE)
    assert kept_mb < 10
    assert trimmed_mb > 30
    assert at_once_mb > 30


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have no such rule")
def test_the_memory_of_a_block_is_used_again():
    (faults,) = printed(BLOCKS)
    assert faults < 1000
