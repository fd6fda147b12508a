"""Run a plan: what stands is kept, the rest is made, and the manifest says what there is."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from generator.files import make_folder
from generator.pack import index
from generator.pack.cluster import run_on_cluster
from generator.pack.local import run_here
from generator.pack.lock import locked
from generator.pack.manifest import Entry, Journal, entry_of, read_entries, stands, write_manifest
from generator.pack.plan import PackPlan, PlannedTrack, folder_of
from generator.pack.work import Outcome
from generator.record import record

__all__ = ["PackReport", "Progress", "run_pack"]

Progress = Callable[[int, int, str], None]
"""Called with the tracks done, the tracks in all, and the folder of the last one."""


@record
class PackReport:
    """What a run did; `failures` are the folders that could not be made, each with its reason."""

    made: int
    kept: int
    failures: tuple[tuple[str, str], ...]


def run_pack(
    plan: PackPlan,
    pack: Path,
    *,
    jobs: int = 2,
    cluster: str | None = None,
    cache: Path | None = None,
    progress: Progress | None = None,
) -> PackReport:
    """Make every track of a plan that does not stand in the folder already.

    Parameters
    ----------
    plan : PackPlan
        What to make. Tracks of earlier plans that still stand are kept in the manifest.
    pack : Path
        The folder; made when absent.
    jobs : int
        Processes on this machine.
    cluster : str, optional
        Address of a Dask scheduler, or "local".
    cache : Path, optional
        A folder that keeps recorded notes for other tracks and runs.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    PackError
        If another run holds the folder.
    """
    tell = progress or (lambda done, total, folder: None)
    make_folder(pack)
    with locked(pack) as died:
        if died:
            _sweep(pack, plan)
        entries = read_entries(pack)
        standing = {
            track.folder
            for track in plan.tracks
            if (entry := entries.get(track.folder))
            and entry["job"] == track.job
            and stands(pack, entry)
        }
        to_do = [track for track in plan.tracks if track.folder not in standing]
        for track in to_do:
            entries.pop(track.folder, None)
        done, failures = len(standing), list[Entry]()
        tell(done, len(plan.tracks), "")
        index.get_ready()
        journal = Journal(pack)
        try:
            for track, outcome in _outcomes(to_do, pack, jobs, cluster, cache):
                if outcome.error:
                    failures.append({"folder": track.folder, "error": outcome.error})
                else:
                    entry = entry_of(track, outcome)
                    entries[track.folder] = entry
                    journal.add(entry)
                done += 1
                tell(done, len(plan.tracks), track.folder)
        finally:
            journal.close()
            _sweep(pack, plan)
            kept = [entry for entry in entries.values() if _present(pack, entry)]
            write_manifest(pack, kept, failures)
            index.write_index(pack, kept)
    return PackReport(
        made=len(to_do) - len(failures),
        kept=len(standing),
        failures=tuple((entry["folder"], entry["error"]) for entry in failures),
    )


def _outcomes(
    tracks: list[PlannedTrack], pack: Path, jobs: int, cluster: str | None, cache: Path | None
) -> Iterator[tuple[PlannedTrack, Outcome]]:
    # One thread a process: the processes share the cores out among themselves.
    ready = [
        replace(track, options=replace(track.options, jobs=1, cache=cache)) for track in tracks
    ]
    if not ready:
        return iter(())
    if cluster is not None:
        return run_on_cluster(ready, pack, cluster, jobs)
    return run_here(ready, pack, jobs)


def _present(pack: Path, entry: Entry) -> bool:
    """Whether the files of a track are there; their hashes are checked when it is planned."""
    folder = folder_of(pack, entry["folder"])
    return all((folder / file["name"]).is_file() for file in entry["files"])


def _sweep(pack: Path, plan: PackPlan) -> None:
    """Remove what an interrupted run left unfinished in the folders of the plan."""
    for leftover in pack.glob(".chartbed-unfinished-*"):
        shutil.rmtree(leftover, ignore_errors=True)
    for track in plan.tracks:
        folder = folder_of(pack, track.folder)
        for leftover in folder.glob(".chartbed-unfinished-*"):
            shutil.rmtree(leftover, ignore_errors=True)
        while folder != pack and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
            folder = folder.parent
