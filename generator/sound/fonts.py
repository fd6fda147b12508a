"""Find SoundFonts, choose the best one, and know how loud each of its programs is."""

import json
import os
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path

from generator.errors import FontError
from generator.record import record
from generator.shipped import soundfonts_folder
from generator.sound.sf2 import PERCUSSION_BANK, FontTables, read_font

__all__ = ["Font", "choose_font", "find_fonts", "font_folders"]

_LARGEST_BYTES = 2 << 30


@record
class Font:
    """A font that was found.

    Attributes
    ----------
    path : Path
    name : str
        What the catalogue calls it, else the file name.
    quality : int
        1 (a sketch) to 5, 0 when the catalogue does not know it.
    licence, source : str
        From the catalogue, empty when unknown.
    trims_db : dict of str to float
        Level change that brings each program to the common level: "0" to "127", "drums 0".
    """

    path: Path
    name: str
    quality: int = 0
    licence: str = ""
    source: str = ""
    trims_db: dict[str, float] | None = None

    def trim_db(self, bank: int, program: int) -> float | None:
        """Return the level change of a preset, None when nobody measured it."""
        name = f"drums {program}" if bank == PERCUSSION_BANK else str(program)
        return (self.trims_db or {}).get(name)


def font_folders() -> tuple[Path, ...]:
    """Return where fonts are looked for, in order."""
    folders = [soundfonts_folder()]
    folders += [
        Path("/usr/share/sounds/sf2"),
        Path("/usr/share/sounds/sf3"),
        Path("/usr/share/soundfonts"),
        Path("/usr/local/share/sounds/sf2"),
        Path("/usr/local/share/soundfonts"),
        Path("/opt/homebrew/share/soundfonts"),
        Path.home() / ".local/share/soundfonts",
        Path.home() / "Library/Audio/Sounds/Banks",
    ]
    if data := os.environ.get("LOCALAPPDATA"):
        folders.append(Path(data) / "soundfonts")
    # pretty_midi ships a small font; looking for the package does not import it.
    spec = find_spec("pretty_midi")
    if spec is not None and spec.origin:
        folders.append(Path(spec.origin).parent)
    return tuple(folders)


def find_fonts() -> tuple[Font, ...]:
    """Return the fonts found on this machine, the best first."""
    found: dict[Path, Font] = {}
    for folder in font_folders():
        try:
            paths = sorted(folder.iterdir())
        except OSError:
            continue
        for path in paths:
            if path.suffix.lower() in (".sf2", ".sf3") and path.is_file():
                real = path.resolve()
                found.setdefault(real, _described(real))
    return tuple(sorted(found.values(), key=lambda font: (-font.quality, str(font.path))))


def choose_font(path: Path | None = None) -> Font:
    """Return the font at `path`, or the best one found.

    Raises
    ------
    FontError
        If there is none, or it is broken or not General MIDI.
    """
    if path is None:
        for font in find_fonts():
            if font.quality:
                return font
        for font in find_fonts():
            try:
                check_font(font.path)
            except FontError:
                continue
            return font
        raise FontError(
            "no SoundFont was found; install one (apt-get install fluid-soundfont-gm) "
            "or give a General MIDI .sf2 with --font"
        )
    check_font(path)
    return _described(path)


def check_font(path: Path) -> FontTables:
    """Return the tables of a font after checking that a band can play on it.

    Read once, as long as the file stays the same: tracks of a pack share what is found in them.

    Raises
    ------
    FontError
        If it cannot.
    """
    if path.is_dir():
        raise FontError(f"{path}: this is a folder; give the .sf2 or .sf3 file itself")
    try:
        status = path.stat()
    except OSError:
        return read_font(path)  # which says what is wrong
    return _checked(path, status.st_size, status.st_mtime_ns)


@lru_cache(maxsize=2)
def _checked(path: Path, size_bytes: int, changed_ns: int) -> FontTables:
    tables = read_font(path)
    if size_bytes > _LARGEST_BYTES:
        raise FontError(
            f"{path}: the font has {size_bytes / 2**30:.1f} GiB, more than FluidSynth can load "
            f"({_LARGEST_BYTES >> 30} GiB); give a smaller one with --font"
        )
    if not tables.is_general_midi:
        raise FontError(
            f"{path}: not a General MIDI font: it needs programs 0 to 127 in bank 0 and a drum kit "
            f"in bank 128, and has {len(tables.presets)} presets; give another one with --font"
        )
    return tables


@cache
def _catalogue() -> dict[str, dict[str, object]]:
    try:
        text = (soundfonts_folder() / "catalogue.json").read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    return {str(entry["file"]): entry for entry in json.loads(text)}


def _described(path: Path) -> Font:
    entry = _catalogue().get(path.name)
    if entry is None:
        return Font(path, path.stem)
    return Font(
        path,
        str(entry["name"]),
        int(entry["quality"]),  # type: ignore[call-overload]
        str(entry["licence"]),
        str(entry["source"]),
        entry.get("trims_db"),  # type: ignore[arg-type]
    )
