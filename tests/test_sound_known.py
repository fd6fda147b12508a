"""What is known of the font and the library: kept, and found out anew where it may have changed."""

import os
from pathlib import Path

import pytest

from generator.sound import known
from generator.sound.synth import library_file, library_version


@pytest.fixture
def library(tmp_path, monkeypatch) -> Path:
    """Return a file that stands for the library, of version 1.0, on a system that says so."""
    path = tmp_path / "libfluidsynth.so.3"
    path.write_bytes(b"one")
    (tmp_path / "places").write_bytes(b"where libraries lie")
    monkeypatch.setattr(known, "_PLACES", tmp_path / "places")
    monkeypatch.setattr("generator.sound.synth.library_file", lambda: path)
    answer(monkeypatch, "1.0")
    assert known.synth_version(tmp_path / "c") == "1.0"
    return path


def answer(monkeypatch, version: str) -> None:
    monkeypatch.setattr("generator.sound.synth.library_version", lambda: version)


def test_the_library_lies_where_it_was_loaded_from():
    """On Linux; elsewhere nobody tells."""
    found = library_file()
    assert found is not None
    assert found.is_file()
    assert "fluidsynth" in found.name


def test_a_version_is_kept_and_the_library_not_loaded_again(tmp_path, monkeypatch, library):
    def load() -> str:
        raise AssertionError("loaded")

    monkeypatch.setattr("generator.sound.synth.library_version", load)
    assert known.synth_version(tmp_path / "c") == "1.0"
    with pytest.raises(AssertionError, match="loaded"):
        known.synth_version(tmp_path / "another folder")


@pytest.mark.parametrize("change", ["content", "time", "gone", "installed", "search", "damaged"])
def test_a_library_that_may_be_another_is_asked(tmp_path, monkeypatch, library, change):
    if change == "content":
        library.write_bytes(b"three")
    elif change == "time":
        os.utime(library, (1, 1))
    elif change == "gone":
        library.unlink()
        monkeypatch.setattr("generator.sound.synth.library_file", lambda: None)
    elif change == "installed":
        (tmp_path / "places").write_bytes(b"where more libraries lie")
    elif change == "search":
        monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    else:
        (tmp_path / "c/known.json").write_text('["broken"]')
    answer(monkeypatch, "2.0")
    assert known.synth_version(tmp_path / "c") == "2.0"
    answer(monkeypatch, "3.0")
    asked_again = change == "gone"  # nobody knows where it lies now
    assert known.synth_version(tmp_path / "c") == ("3.0" if asked_again else "2.0")


def test_where_the_system_does_not_tell_the_library_is_asked_each_time(
    tmp_path, monkeypatch, library
):
    monkeypatch.setattr(known, "_PLACES", tmp_path / "none")
    answer(monkeypatch, "2.0")
    assert known.synth_version(tmp_path / "c") == "2.0"
    answer(monkeypatch, "3.0")
    assert known.synth_version(tmp_path / "c") == "3.0"


def test_a_version_is_told_where_nothing_can_be_kept(tmp_path, monkeypatch, library):
    (tmp_path / "file").write_bytes(b"")
    assert known.synth_version(tmp_path / "file" / "folder") == "1.0"
    assert {path.name for path in (tmp_path / "c").iterdir()} == {"known.json"}


def test_a_library_whose_file_is_gone_tells_its_version(tmp_path, monkeypatch, library):
    """Linux says "(deleted)" behind the name of what was loaded and has been replaced since."""
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    monkeypatch.setattr("generator.sound.synth.library_file", lambda: Path(f"{library} (deleted)"))
    answer(monkeypatch, "2.0")
    assert known.synth_version(tmp_path / "c") == "2.0"


def test_it_is_the_version_of_the_library(tmp_path):
    """Asked, kept, and asked of what was kept."""
    assert {known.synth_version(tmp_path / "c") for _ in range(2)} == {library_version()}
