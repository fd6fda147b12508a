"""The tracks of a pack on the cores of this machine, one process a core."""

import gc
import os
import signal
import sys
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import parent_process
from pathlib import Path
from threading import Thread, Timer

from generator.pack.plan import PlannedTrack
from generator.pack.processes import ctrl_c_waits, get_ready, processes
from generator.pack.shares import Shares
from generator.pack.work import Outcome, make_track

__all__ = ["run_here"]

_MOST_ATTEMPTS, _MOST_IN_VAIN = 3, 1000
_AGAIN_S = 0.01


def run_here(
    tracks: Iterable[PlannedTrack], pack: Path, jobs: int
) -> Iterator[tuple[PlannedTrack, Outcome]]:
    """Make tracks in `jobs` processes; yields each with its outcome, as they finish.

    A process that is killed takes nothing along: the tracks that were in work are begun again in
    new processes, and only a track that was in work at three such ends counts as failed.
    """
    waiting = {track.folder: track for track in tracks}
    attempts: dict[str, int] = {}
    in_vain = 0
    while waiting:
        began = False
        for track, outcome in _run_pool([*waiting.values()], pack, jobs):
            began = True
            if outcome is None:
                attempts[track.folder] = attempts.get(track.folder, 0) + 1
                if attempts[track.folder] < _MOST_ATTEMPTS:
                    continue
                reason = "the process that made it was ended three times (out of memory?)"
                outcome = Outcome(track.job, track.folder, error=reason)
            del waiting[track.folder]
            yield track, outcome
        in_vain = 0 if began else in_vain + 1
        if in_vain == _MOST_IN_VAIN:
            for track in waiting.values():
                yield track, Outcome(track.job, track.folder, error="no process can be started")
            return
        if in_vain:  # what processes are copies of was killed, and takes a while to die
            time.sleep(_AGAIN_S)


def _run_pool(
    tracks: list[PlannedTrack], pack: Path, jobs: int
) -> Iterator[tuple[PlannedTrack, Outcome | None]]:
    """Make tracks in several processes; an outcome of None is a track that a dead one left.

    Those that did not come to a process before one died are not among them.
    """
    get_ready()
    lanes = [_lane() for _ in range(min(jobs, len(tracks)))]
    shares = Shares(tracks)
    futures: dict[Future[Outcome], tuple[PlannedTrack, ProcessPoolExecutor]] = {}
    broken = False
    try:
        while True:
            for lane in lanes:
                in_lane = sum(own is lane for _, own in futures.values())
                # One waits for each process, unless another could begin with it.
                while (
                    not broken
                    and in_lane < (2 if shares.left > len(lanes) else 1)
                    and (track := shares.next(lane))
                ):
                    if future := _begun(lane, track, pack):
                        futures[future] = track, lane
                        in_lane += 1
                    else:
                        broken = True
            if not futures:
                break
            done, _ = wait(futures, return_when=FIRST_COMPLETED)
            for future in done:
                track, _ = futures.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    broken = True
                    yield track, None
                else:
                    yield track, outcome
    finally:
        _end(lanes)


def _begun(lane: ProcessPoolExecutor, track: PlannedTrack, pack: Path) -> "Future[Outcome] | None":
    """Give a track to a process; None where it is dead."""
    try:
        with ctrl_c_waits():  # for a process may be started
            return lane.submit(_make, track, pack)
    # The last two: the process that processes are copies of has ended just now.
    except (BrokenProcessPool, EOFError, ConnectionError):
        return None


def _lane() -> ProcessPoolExecutor:
    """Return a process that takes one track after another, as soon as there is one."""
    return ProcessPoolExecutor(1, mp_context=processes(), initializer=_begin)


def _make(track: PlannedTrack, pack: Path) -> Outcome:
    signal.signal(signal.SIGTERM, _interrupt)  # only in work, so that half files are removed
    try:
        return make_track(track, pack)
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)


def _begin() -> None:
    # Ctrl-C reaches every process of a terminal; only the first one acts on it, and ends the rest.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.unraisablehook = _try_again
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    gc.set_threshold(50_000, 20, 100)  # many notes are made and few cycles: fewer rounds
    Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End with the first process: a worker waits for ever on a queue that nobody fills again."""
    if (parent := parent_process()) is not None:
        parent.join()
        os._exit(1)


def _interrupt(number: int, frame: object) -> None:
    raise SystemExit(128 + number)


def _try_again(lost: "sys.UnraisableHookArgs") -> None:
    """Interrupt once more where Python drops exceptions, as in the callback of a weak reference."""
    if isinstance(lost.exc_value, SystemExit):
        Timer(_AGAIN_S, signal.raise_signal, [signal.SIGTERM]).start()
    else:
        sys.__unraisablehook__(lost)


def _end(lanes: list[ProcessPoolExecutor]) -> None:
    """End the processes now: at the end of the work there is none left to lose."""
    processes = [process for lane in lanes for process in (lane._processes or {}).values()]
    for lane in lanes:
        lane.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(timeout=10)
