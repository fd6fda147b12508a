"""What was found out about the font and the library, kept beside the notes: both take a while.

A font is read whole for its hash (30 ms), the library of FluidSynth loaded with thirty others for
its version (20 ms). Each is known by path, size and time, and so is the search for the library.
"""

import contextlib
import hashlib
import json
import mmap
import os
from pathlib import Path

from generator.errors import OutputError
from generator.files import write_whole
from generator.sound.page_sums import page_sums

__all__ = ["font_hash", "synth_version"]

_FILE = "known.json"
_PLACES = Path("/etc/ld.so.cache")
"""Where libraries lie, on Linux: written anew when one is installed."""


def font_hash(font: Path, folder: Path) -> str:
    """Return a hash of a font's content, worked out anew when its size or time has changed.

    That is the SHA-256 of the sums of its pages: five times faster than one of the whole.
    """
    name = _name(font)
    known = _known(folder).get(name)
    if known is not None:
        return known
    with font.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        digest = hashlib.sha256(page_sums(memoryview(content))).hexdigest()
    _keep(folder, {name: digest})
    return digest


def synth_version(folder: Path) -> str:
    """Return the version of the FluidSynth library; load it if it may be another than last time.

    Raises
    ------
    MissingToolError
        If the library is not installed.
    """
    known, search = _known(folder), ""
    with contextlib.suppress(OSError):
        search = f"{os.environ.get('LD_LIBRARY_PATH', '')}:{_name(_PLACES)}"
        if search in known and (library := _name(Path(known[search]))) in known:
            return known[library]
    from generator.sound.synth import library_file, library_version

    version = library_version()
    # The file may be gone that was loaded, such as for a newer one.
    with contextlib.suppress(OSError):
        if search and (found := library_file()):
            _keep(folder, {search: str(found), _name(found): version})
    return version


def _name(path: Path) -> str:
    status = path.stat()
    return f"{path.resolve()}/{status.st_size}/{status.st_mtime_ns}"


def _known(folder: Path) -> dict[str, str]:
    try:
        known = json.loads((folder / _FILE).read_text())
    except (OSError, ValueError):
        return {}
    entries = known.items() if isinstance(known, dict) else ()
    return {name: fact for name, fact in entries if isinstance(fact, str)}


def _keep(folder: Path, facts: dict[str, str]) -> None:
    """Add facts, where the folder can be written."""
    with contextlib.suppress(OutputError):
        write_whole(folder / _FILE, json.dumps(_known(folder) | facts))
