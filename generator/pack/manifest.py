"""`manifest.json`: every track of a pack, its parameters, files, hashes, loudness and duration.

While a run goes on, each finished track is a line of `manifest.journal`, forced to disk, so that a
power cut loses at most the track that was being made. The next run reads both.
"""

import json
import os
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from generator.errors import InputError
from generator.files import sha256_of, write_whole
from generator.pack.plan import PlannedTrack, folder_of
from generator.pack.work import Outcome

__all__ = ["JOURNAL", "MANIFEST", "Journal", "entry_of", "read_entries", "stands", "write_manifest"]

MANIFEST = "manifest.json"
JOURNAL = "manifest.journal"

Entry = dict[str, Any]


def entry_of(track: PlannedTrack, outcome: Outcome) -> Entry:
    """Return the manifest's words for a track that was made."""
    options = track.options
    return {
        "title": track.title,
        "folder": track.folder,
        "job": track.job,
        "key": outcome.key,
        "style": outcome.style,
        "quarter_bpm": outcome.quarter_bpm,
        "tempo": options.tempo,
        "mute": list(options.mute),
        "mix": options.mix,
        "seed": options.seed,
        "bars": outcome.bars,
        "duration_s": outcome.duration_s,
        "loudness_lufs": outcome.loudness_lufs,
        "true_peak_dbtp": outcome.true_peak_dbtp,
        "files": [asdict(file) for file in outcome.files],
    }


def read_entries(pack: Path) -> dict[str, Entry]:
    """Return the tracks that a pack is said to hold, by folder; newest word last.

    Raises
    ------
    InputError
        If the manifest is no manifest.
    """
    entries: dict[str, Entry] = {}
    path = pack / MANIFEST
    if path.is_file():
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            for entry in content["tracks"]:
                entries[entry["folder"]] = entry
        except (ValueError, KeyError, TypeError) as error:
            raise InputError(
                f"{path}: not a manifest of a pack ({error}); move it away and run again"
            ) from error
    journal = pack / JOURNAL
    if journal.is_file():
        for line in journal.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                entry = json.loads(line)
            except ValueError:
                continue  # the line that a power cut tore
            entries[entry["folder"]] = entry
    return entries


def stands(pack: Path, entry: Entry) -> bool:
    """Whether every file of a track is there and whole, by size and hash."""
    for file in entry["files"]:
        path = folder_of(pack, entry["folder"]) / file["name"]
        if not path.is_file() or path.stat().st_size != file["size_bytes"]:
            return False
        if sha256_of(path) != file["sha256"]:
            return False
    return bool(entry["files"])


class Journal:
    """The lines of the tracks finished in this run, each on disk before the next begins."""

    def __init__(self, pack: Path) -> None:
        self._file = (pack / JOURNAL).open("a", encoding="utf-8")
        self._file.write("\n")  # ends a torn line, if there is one

    def add(self, entry: Entry) -> None:
        """Note a finished track."""
        self._file.write(json.dumps(entry, ensure_ascii=False) + "\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """End the journal; the manifest is written next."""
        self._file.close()


def write_manifest(pack: Path, entries: Iterable[Entry], failures: Iterable[Entry]) -> None:
    """Write the manifest and drop the journal."""
    from generator import __version__

    content = {
        "format": "chartbed-pack",
        "version": "1.0",
        "made_by": {"name": "chartbed", "version": __version__},
        "tracks": sorted(entries, key=lambda entry: str(entry["folder"])),
        "failures": sorted(failures, key=lambda entry: str(entry["folder"])),
    }
    write_whole(pack / MANIFEST, json.dumps(content, ensure_ascii=False, indent=2) + "\n")
    (pack / JOURNAL).unlink(missing_ok=True)
