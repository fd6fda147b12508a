"""Find the audio of a page beside a chord map, by the names that the map gives."""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from generator.errors import OptionError

__all__ = ["MEDIA_TYPES", "audio_beside"]

MEDIA_TYPES = {
    "m4a": "audio/mp4",
    "mp3": "audio/mpeg",
    "flac": "audio/flac",
    "wav": "audio/wav",
    "ogg": "audio/ogg",
    "opus": "audio/ogg",
}
"""Formats that browsers decode, the one to prefer first: small, and decoded everywhere."""

_MIX = "mix"


def audio_beside(
    map_path: Path, chord_map: Mapping[str, Any], *, stems: bool = False
) -> dict[str, tuple[str, bytes]]:
    """Return the audio for `build_page`: the mix, or with `stems` each part.

    Raises
    ------
    OptionError
        If no file of a format that browsers decode is listed, or one is absent or is not the file
        that the map was made with.
    """
    listed = [entry for entry in chord_map.get("audio", ()) if entry["format"] in MEDIA_TYPES]
    wanted = sorted({entry["part"] for entry in listed if (entry["part"] != _MIX) == stems})
    if not wanted:
        what, remedy = ("parts", "--formats m4a --stems") if stems else ("mix", "--formats m4a")
        raise OptionError(
            f"{map_path}: the map lists no audio of the {what} that a browser can play; "
            f"render again with {remedy}"
        )
    return {part: _read(map_path, part, listed) for part in wanted}


def _read(map_path: Path, part: str, listed: list[Mapping[str, Any]]) -> tuple[str, bytes]:
    """Read the file of a part in the best format that is there."""
    order = list(MEDIA_TYPES)
    entries = sorted(
        (entry for entry in listed if entry["part"] == part),
        key=lambda entry: order.index(entry["format"]),
    )
    for entry in entries:
        path = map_path.parent / Path(entry["file"]).name
        if not path.is_file():
            continue
        content = path.read_bytes()
        if hashlib.sha256(content).hexdigest() != entry["sha256"]:
            raise OptionError(
                f"{path} is not the file that {map_path.name} was made with (its SHA-256 differs); "
                "render both again"
            )
        return MEDIA_TYPES[entry["format"]], content
    names = ", ".join(entry["file"] for entry in entries)
    raise OptionError(
        f"{names}: named in {map_path.name}, but not beside it; put it into {map_path.parent}"
    )
