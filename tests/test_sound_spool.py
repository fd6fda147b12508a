"""Blocks come back as they were kept, from memory and from the file behind it."""

import numpy as np
import pytest

from generator.sound import spool as module
from generator.sound.spool import Spool


@pytest.fixture(autouse=True)
def small_memory(monkeypatch):
    """Six blocks of memory, in chunks of three."""
    monkeypatch.setattr(module, "_CHUNK_FRAMES", 3 * 128)
    monkeypatch.setattr(module, "_MOST_CHUNKS", 2)


def kept(count: int, memory: list | None) -> Spool:
    spool = Spool(128, memory)
    for number in range(count):
        block = spool.blank()
        block[:] = [[number], [-number]]
        spool.keep()
    return spool


@pytest.mark.parametrize("in_memory", [False, True], ids=["file", "memory, then file"])
@pytest.mark.parametrize("count", [1, 3, 6, 7, 11])
def test_blocks_are_read_in_any_order(count, in_memory):
    spool = kept(count, [] if in_memory else None)
    assert spool.blocks == count
    for number in [*reversed(range(count)), *range(count)]:
        block = spool.read(number)
        assert block.shape == (2, 128)
        np.testing.assert_array_equal(block, np.full((2, 128), number) * [[1.0], [-1.0]])
    spool.close()


def test_memory_goes_from_spool_to_spool():
    memory = []
    first = kept(8, memory)
    assert memory == []
    chunks = [first.read(number).base for number in (0, 3)]
    first.close()
    assert [id(chunk) for chunk in memory] == [id(chunk) for chunk in chunks]
    second = kept(2, memory)
    assert second.read(0).base is chunks[1]
    assert len(memory) == 1
