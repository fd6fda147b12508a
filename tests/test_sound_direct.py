"""Files that go to the disk directly hold the same bytes as any other."""

import errno
import os
from pathlib import Path

import numpy as np
import pytest

from generator.sound import direct
from generator.sound.direct import DirectFile
from generator.sound.native import PAGE_BYTES, aligned

fcntl = pytest.importorskip("fcntl")
SOUND = aligned((5 * PAGE_BYTES, 2), np.int16, PAGE_BYTES)
SOUND[:] = np.random.default_rng(1).integers(-(2**15), 2**15, SOUND.shape, np.int16)
HEAD = aligned((1, PAGE_BYTES + 16), np.uint8, PAGE_BYTES)[0, 16:]  # between two pages
HEAD[:] = np.arange(PAGE_BYTES)


def written(path: Path, *pieces: np.ndarray, directly: bool = True) -> bytes:
    file = DirectFile(path, directly=directly)
    for piece in pieces:
        file.write(piece)
    file.close()
    return path.read_bytes()


def is_direct(file: int) -> bool:
    return bool(fcntl.fcntl(file, fcntl.F_GETFL) & os.O_DIRECT)


@pytest.fixture
def knows_direct(tmp_path):
    """Leave out what this disk cannot do."""
    if not hasattr(os, "O_DIRECT"):
        pytest.skip("this system has no such way")
    with (tmp_path / "probe").open("wb") as file:
        try:
            fcntl.fcntl(file, fcntl.F_SETFL, os.O_DIRECT)
            os.write(file.fileno(), aligned((1, PAGE_BYTES), np.uint8, PAGE_BYTES).data)
        except OSError:
            pytest.skip("this disk has no such way")


@pytest.fixture
def ways(monkeypatch):
    """Note for each piece how many bytes went, and whether directly."""
    noted = []
    write = os.write

    def heard(file: int, octets: memoryview) -> int:
        noted.append((len(octets), is_direct(file)))
        return write(file, octets)

    monkeypatch.setattr(direct.os, "write", heard)
    return noted


@pytest.mark.usefixtures("knows_direct")
def test_whole_pages_go_directly_and_the_rest_does_not(tmp_path, ways, monkeypatch):
    monkeypatch.setattr(direct, "_SLOW_BYTES_A_S", 0.001)
    pieces = HEAD, SOUND[:PAGE_BYTES], SOUND[PAGE_BYTES:-50], SOUND[-50:]
    content = b"".join(piece.tobytes() for piece in pieces)
    page = PAGE_BYTES * SOUND.itemsize * 2
    assert written(tmp_path / "a", *pieces) == content
    assert ways == [
        (PAGE_BYTES, False),  # begins anywhere in memory
        (page, True),
        (4 * page - 200, False),  # ends within a page
        (200, False),
    ]
    ways.clear()
    assert written(tmp_path / "b", *pieces, directly=False) == content
    assert not any(is_direct for _, is_direct in ways)


@pytest.mark.usefixtures("knows_direct")
def test_a_slow_disk_is_not_waited_for(tmp_path, ways, monkeypatch):
    monkeypatch.setattr(direct, "_SLOW_BYTES_A_S", 1e15)
    halves = SOUND[: 2 * PAGE_BYTES], SOUND[2 * PAGE_BYTES : 4 * PAGE_BYTES]
    assert written(tmp_path / "a", *halves) == SOUND[: 4 * PAGE_BYTES].tobytes()
    assert [is_direct for _, is_direct in ways] == [True, False]


@pytest.mark.usefixtures("knows_direct")
def test_a_disk_of_larger_pages_gets_the_bytes_the_usual_way(tmp_path, monkeypatch):
    write = os.write
    refused = []

    def picky(file: int, octets: memoryview) -> int:
        if is_direct(file):
            refused.append(len(octets))
            raise OSError(errno.EINVAL, "odd size")
        return write(file, octets)

    monkeypatch.setattr(direct.os, "write", picky)
    halves = SOUND[: 2 * PAGE_BYTES], SOUND[2 * PAGE_BYTES : 4 * PAGE_BYTES]
    assert written(tmp_path / "a", *halves) == SOUND[: 4 * PAGE_BYTES].tobytes()
    assert len(refused) == 1


@pytest.mark.usefixtures("knows_direct")
def test_a_piece_that_is_written_in_part_is_written_on(tmp_path, monkeypatch):
    write = os.write
    monkeypatch.setattr(direct.os, "write", lambda file, octets: write(file, octets[:1024]))
    assert written(tmp_path / "a", SOUND) == SOUND.tobytes()


def test_a_system_that_knows_no_direct_way_gets_the_same_bytes(tmp_path, monkeypatch):
    monkeypatch.delattr(os, "O_DIRECT", raising=False)
    assert written(tmp_path / "a", HEAD, SOUND) == HEAD.tobytes() + SOUND.tobytes()


def test_a_disk_without_direct_way_gets_the_same_bytes(tmp_path, monkeypatch):
    def refused(*_: object) -> int:
        raise OSError(errno.EINVAL, "no such flag")

    monkeypatch.setattr(fcntl, "fcntl", refused)
    assert written(tmp_path / "a", HEAD, SOUND) == HEAD.tobytes() + SOUND.tobytes()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_told_by_the_next_piece_or_the_end():
    file = DirectFile(Path("/dev/full"), directly=True)
    file.write(SOUND)
    with pytest.raises(OSError, match="No space left"):
        file.close()
    file = DirectFile(Path("/dev/full"), directly=True)
    with pytest.raises(OSError, match="No space left"):
        for _ in range(9):
            file.write(SOUND)
    with pytest.raises(OSError, match="No space left"):
        file.close()


def test_a_file_that_cannot_be_made_is_told(tmp_path):
    with pytest.raises(FileNotFoundError, match="nowhere"):
        DirectFile(tmp_path / "nowhere" / "a", directly=True)


def test_a_file_that_is_closed_twice_closes_no_other(tmp_path):
    """After a failure all encoders are aborted, those that have finished too."""
    first = DirectFile(tmp_path / "a", directly=True)
    first.write(SOUND)
    first.close()
    with (tmp_path / "b").open("wb") as other:  # has the number that the first had
        first.close()
        other.write(b"still open")
        other.flush()
    assert (tmp_path / "b").read_bytes() == b"still open"
