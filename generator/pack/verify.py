"""Check a pack against its manifest: every hash, every duration, every chord map."""

from pathlib import Path

from generator.errors import ChartbedError, InputError
from generator.files import sha256_of
from generator.pack.manifest import MANIFEST, Entry, read_entries
from generator.pack.plan import folder_of

__all__ = ["verify_pack"]

_CLOSE_S = 0.001


def verify_pack(pack: Path) -> tuple[int, tuple[str, ...]]:
    """Return the number of tracks and what is wrong with them, a sentence each.

    Raises
    ------
    InputError
        If there is no manifest in the folder, or it is none.
    """
    entries = read_entries(pack)
    if not entries:
        raise InputError(f"{pack}: holds no {MANIFEST}; is it the folder of a pack?")
    problems = [problem for entry in entries.values() for problem in _problems(pack, entry)]
    return len(entries), tuple(problems)


def _problems(pack: Path, entry: Entry) -> list[str]:
    folder = folder_of(pack, entry["folder"])
    problems = []
    for file in entry["files"]:
        path = folder / file["name"]
        if not path.is_file():
            problems.append(f"{path}: missing; run the pack again")
        elif path.stat().st_size != file["size_bytes"] or sha256_of(path) != file["sha256"]:
            problems.append(f"{path}: not as it was made; run the pack again")
        elif file["format"] == "wav":
            problems += _wav_problems(path, entry)
        elif file["format"] == "map":
            problems += _map_problems(path, entry)
    return problems


def _wav_problems(path: Path, entry: Entry) -> list[str]:
    import wave

    with wave.open(str(path)) as file:
        duration_s = file.getnframes() / file.getframerate()
    if abs(duration_s - entry["duration_s"]) > _CLOSE_S:
        return [f"{path}: lasts {duration_s:.3f} s, the manifest says {entry['duration_s']:.3f} s"]
    return []


def _map_problems(path: Path, entry: Entry) -> list[str]:
    from generator.chordmap.schema import validate_map

    try:
        chord_map = validate_map(path)
    except ChartbedError as error:
        return [str(error)]
    known = {file["name"]: file["sha256"] for file in entry["files"]}
    problems = []
    if len(chord_map.bars) != entry["bars"]:
        problems.append(f"{path}: {len(chord_map.bars)} bars, the manifest says {entry['bars']}")
    for audio in chord_map.audio:
        if known.get(audio.file) != audio.sha256:
            problems.append(f"{path}: speaks of another {audio.file} than the one beside it")
        if audio.part == "mix" and abs(audio.duration_s - entry["duration_s"]) > _CLOSE_S:
            problems.append(f"{path}: {audio.file} has another duration than the manifest says")
    return problems
