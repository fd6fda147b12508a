"""The tracks of a pack on a Dask cluster: the same work, its files sent back and checked."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

from generator.errors import MissingToolError, PackError
from generator.pack.plan import PlannedTrack, folder_of
from generator.pack.work import Outcome, make_track_bytes

__all__ = ["run_on_cluster"]

_AHEAD = 2  # tracks in work a thread of the cluster: what bounds the memory


def run_on_cluster(
    tracks: Iterable[PlannedTrack], pack: Path, address: str, jobs: int
) -> Iterator[tuple[PlannedTrack, Outcome]]:
    """Make tracks on the cluster at `address`; yields each with its outcome, as they finish.

    Parameters
    ----------
    address : str
        Of a Dask scheduler (`tcp://host:8786`), or `local` to start a cluster of `jobs` processes
        here, on the loopback.

    Raises
    ------
    MissingToolError
        If dask.distributed is not installed.
    PackError
        If the scheduler does not answer.
    """
    try:
        distributed: Any = import_module("dask.distributed")
    except ImportError as error:
        raise MissingToolError(
            "--cluster needs dask.distributed: pip install 'chartbed[cluster]'"
        ) from error
    cluster: Any = None
    if address == "local":
        cluster = distributed.LocalCluster(
            n_workers=jobs, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        )
    try:
        try:
            client = distributed.Client(cluster or address, timeout=10)
        except (OSError, TimeoutError, ValueError) as error:
            raise PackError(
                f"--cluster {address}: no scheduler answers there ({error}); start one with "
                "`dask scheduler`, or use --cluster local"
            ) from error
        with client:
            yield from _run(client, distributed.as_completed, tracks, pack)
    finally:
        if cluster is not None:
            cluster.close()


def _run(
    client: Any, as_completed: Any, tracks: Iterable[PlannedTrack], pack: Path
) -> Iterator[tuple[PlannedTrack, Outcome]]:
    remaining = iter(tracks)
    planned: dict[str, PlannedTrack] = {}
    threads = sum(client.nthreads().values()) or 1

    def submit(track: PlannedTrack) -> Any:
        # By folder too: the same chart given twice is two tracks of one job.
        name = f"chartbed-{track.folder}-{track.job}"
        future = client.submit(make_track_bytes, track, key=name, pure=False)
        planned[future.key] = track
        return future

    first = [submit(track) for _, track in zip(range(_AHEAD * threads), remaining, strict=False)]
    working = as_completed(first)
    for future in working:
        track = planned.pop(future.key)
        try:
            outcome, contents = future.result()
            outcome = _deliver(outcome, contents, pack)
        except Exception as error:  # what the cluster could not do, whatever it was
            reason = f"the cluster could not make it: {type(error).__name__}: {error}"
            outcome = Outcome(track.job, track.folder, error=reason)
        future.release()
        yield track, outcome
        if (following := next(remaining, None)) is not None:
            working.add(submit(following))


def _deliver(outcome: Outcome, contents: dict[str, bytes], pack: Path) -> Outcome:
    """Write the files that came back, when they are what the worker said they are."""
    import hashlib

    from generator.files import staged_folder

    for file in outcome.files:
        if hashlib.sha256(contents[file.name]).hexdigest() != file.sha256:
            return replace(outcome, files=(), error=f"{file.name} was damaged on the way")
    if outcome.files:
        with staged_folder(folder_of(pack, outcome.folder)) as stage:
            for file in outcome.files:
                (stage / file.name).write_bytes(contents[file.name])
    return outcome
