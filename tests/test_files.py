"""Files appear whole or not at all."""

import errno
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.errors import OutputError
from generator.files import safe_name, staged_folder, write_whole


def content_of(folder):
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


@given(st.text(max_size=400))
def test_any_title_makes_a_name_that_can_be_written(tmp_path_factory, title):
    name = safe_name(title)
    assert name
    assert len(name.encode()) <= 180
    assert not set(name) & set('/\\:*?"<>|\0\n')
    assert not name.startswith((".", "-", " "))
    assert not name.endswith((".", " "))
    assert safe_name(name) == name
    path = tmp_path_factory.getbasetemp() / f"{name}.drums.chordmap.json"
    path.write_text("x")
    path.unlink()


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Brass Button", "Brass Button"),
        ("../../etc/passwd", "etc-passwd"),
        ("Über den Fluß", "Über den Fluß"),
        ("a\nb\tc", "a-b-c"),
        ("CON", "_CON"),
        ("", "Untitled"),
        ("x" * 300, "x" * 180),
    ],
)
def test_names(title, name):
    assert safe_name(title) == name


def test_files_move_in_together(tmp_path):
    with staged_folder(tmp_path / "new" / "deep") as stage:
        (stage / "a.txt").write_text("a")
        (stage / "sub").mkdir()
        (stage / "sub" / "b.txt").write_text("b")
        assert content_of(tmp_path / "new" / "deep") == {stage.name} | {
            f"{stage.name}/{name}" for name in ("a.txt", "sub", "sub/b.txt")
        }
    assert content_of(tmp_path / "new" / "deep") == {"a.txt", "sub", "sub/b.txt"}


@pytest.mark.parametrize("failure", [KeyboardInterrupt, ValueError, OSError(28, "No space left")])
def test_a_failure_leaves_nothing_and_keeps_what_was_there(tmp_path, failure):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises((KeyboardInterrupt, ValueError, OutputError)):
        with staged_folder(tmp_path) as stage:
            (stage / "a.txt").write_text("new")
            raise failure
    assert content_of(tmp_path) == {"a.txt"}
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_folder_made_for_a_failed_run_goes_again(tmp_path):
    with pytest.raises(ValueError, match="no"):
        with staged_folder(tmp_path / "x" / "y"):
            raise ValueError("no")
    assert content_of(tmp_path) == set()


def test_a_full_disk_is_explained(tmp_path, monkeypatch):
    def full(self, data):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match=r"No space left on device.*free some space"):
        write_whole(tmp_path / "a.txt", "text")
    assert content_of(tmp_path) == set()


def test_a_file_in_the_place_of_the_folder_is_explained(tmp_path):
    (tmp_path / "out").write_text("I am a file")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        write_whole(tmp_path / "out" / "a.txt", "text")
    with pytest.raises(OutputError, match="part of this path is a file"):
        write_whole(tmp_path / "out" / "deeper" / "a.txt", "text")
