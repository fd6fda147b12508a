"""`index.html`: a page that lists the tracks of a pack and plays them, without any network."""

from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from generator.files import write_whole
from generator.pack.manifest import Entry

if TYPE_CHECKING:
    import jinja2

__all__ = ["get_ready", "write_index"]

_PLAYABLE = ("mp3", "m4a", "ogg", "opus", "flac", "wav")


def get_ready() -> None:
    """Load what the page takes: there is time while the processes of a pack start."""
    _template()


@cache
def _template() -> "jinja2.Template":
    import jinja2

    source = Path(__file__).with_name("index.html.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(source)


def write_index(pack: Path, entries: Iterable[Entry]) -> None:
    """Write the page beside the manifest."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for entry in sorted(entries, key=lambda entry: str(entry["folder"])):
        groups.setdefault(entry["title"], []).append(_row(entry))
    page = _template().render(groups=groups, tracks=sum(map(len, groups.values())))
    write_whole(pack / "index.html", page)


def _row(entry: Entry) -> dict[str, Any]:
    folder = quote(entry["folder"])
    mixes = {f["format"]: f for f in entry["files"] if f["part"] == "mix"}
    playable = next((mixes[kind] for kind in _PLAYABLE if kind in mixes), None)
    minutes, seconds = divmod(round(entry["duration_s"]), 60)
    return {
        "words": f"{entry['folder']} {entry['key']} {entry['style']}",
        "key": entry["key"],
        "bpm": f"{entry['quarter_bpm']:.4g}",
        "style": entry["style"],
        "mute": "no " + ", ".join(entry["mute"]) if entry["mute"] else "full band",
        "length": f"{minutes}:{seconds:02d}",
        "audio": f"{folder}/{quote(playable['name'])}" if playable else "",
        "files": [
            {
                "href": f"{folder}/{quote(file['name'])}",
                "words": file["format"]
                + ("" if file["part"] in ("", "mix") else f" {file['part']}"),
            }
            for file in entry["files"]
        ],
    }
