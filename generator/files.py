"""Files appear whole or not at all, under names that every system accepts."""

import hashlib
import os
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from generator.errors import OutputError

__all__ = ["cannot_write", "make_folder", "safe_name", "sha256_of", "staged_folder", "write_whole"]

# A file name may hold 255 bytes on the usual file systems; the rest is for endings
# such as ".drums.chordmap.json" and for the mark of a temporary file.
_MAX_NAME_BYTES = 180
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def safe_name(title: str) -> str:
    """Turn a title into a file name for Linux, macOS and Windows.

    Letters of every script stay; what a file system or a shell trips over becomes a hyphen.

    >>> safe_name("Brass/Button: take 2?")
    'Brass-Button- take 2'
    >>> safe_name("...")
    'Untitled'
    """
    text = unicodedata.normalize("NFC", title)
    text = "".join("-" if unicodedata.category(c)[0] == "C" else c for c in text)
    text = re.sub(r'[/\\:*?"<>|]+', "-", text)
    text = re.sub(r"\s+", " ", text).strip(" .-")
    while len(text.encode()) > _MAX_NAME_BYTES:
        text = text[:-1].rstrip(" .-")
    if _RESERVED.fullmatch(text):
        text = f"_{text}"
    return text or "Untitled"


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def staged_folder(folder: Path) -> Iterator[Path]:
    """Give a temporary folder whose files move into `folder` when the block ends well.

    When the block fails, or is interrupted, the temporary folder goes and `folder` is as it was.
    Sub-folders are kept. A file of the same name is replaced.

    Raises
    ------
    OutputError
        If `folder` cannot be made or written, or the disk is full.
    """
    made = make_folder(folder)
    try:
        with _explained(folder):
            stage = Path(tempfile.mkdtemp(prefix=".chartbed-unfinished-", dir=folder))
        try:
            with _explained(folder):
                yield stage
                for file in sorted(path for path in stage.rglob("*") if path.is_file()):
                    target = folder / file.relative_to(stage)
                    target.parent.mkdir(parents=True, exist_ok=True)
                    os.replace(file, target)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except BaseException:
        for path in reversed(made):
            _remove_if_empty(path)
        raise


def write_whole(path: Path, content: bytes | str) -> None:
    """Write one file so that a reader sees the old one or the new one, never a part.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with staged_folder(path.parent) as stage:
        data = content.encode() if isinstance(content, str) else content
        (stage / path.name).write_bytes(data)


def make_folder(folder: Path) -> list[Path]:
    """Make a folder with its parents; return those that were not there before.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    with _explained(folder):
        folder.mkdir(parents=True, exist_ok=True)
    return list(reversed(missing))


def _remove_if_empty(path: Path) -> None:
    with suppress(OSError):  # something else was put there meanwhile: it stays
        path.rmdir()


def cannot_write(path: Path, reason: str) -> OutputError:
    """Return the error that says so, and what to do."""
    return OutputError(
        f"{path} cannot be written ({reason}); free some space or choose another folder "
        "with -o; nothing was left half-written"
    )


@contextmanager
def _explained(folder: Path) -> Iterator[None]:
    """Turn an OSError under `folder` into a sentence that says what to do."""
    try:
        yield
    except FileExistsError as error:
        raise OutputError(f"{folder} is a file, not a folder; choose another with -o") from error
    except NotADirectoryError as error:
        raise OutputError(f"{folder}: a part of this path is a file; choose another") from error
    except PermissionError as error:
        raise OutputError(
            f"{folder} cannot be written (permission denied); choose another folder with -o"
        ) from error
    except OSError as error:
        raise cannot_write(folder, error.strerror or str(error)) from error
