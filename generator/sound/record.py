"""Record each distinct note once, ahead of the mixer, and keep what will be needed again.

Recordings are a pure function of their key: whichever thread makes one, and however often, the
samples are the same to the last bit. So the result of a render depends neither on the number of
threads nor on what had to be dropped to stay within memory.
"""

import threading
from collections import OrderedDict
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from generator.sound.notes import NoteKey
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Recorder", "record_note"]

_TAIL_CHUNK = 64 * BLOCK
_TAIL_FLOOR = 2e-6
_LONGEST_TAIL_S = 30
_MEMORY_BYTES = 48 << 20


def record_note(synth: Synth, key: NoteKey, rate_hz: int) -> "NDArray[np.float32]":
    """Play one note on a clean voice and return it from its onset until it has died away.

    A voice of FluidSynth keeps filter and gain state of the note that it played before. So the
    note (and what chokes it) is started once and killed, which leaves its own state behind, and then
    recorded.

    Returns
    -------
    array of float32, (2, frames) or, when both sides are equal, (1, frames)
    """
    import numpy as np

    channel = synth.channel_of(key.bank, key.program)
    synth.note_on(channel, key.pitch, key.velocity)
    if key.choke_pitch:
        synth.note_on(channel, key.choke_pitch, 1)
    synth.render(BLOCK)
    synth.silence()
    synth.render(BLOCK)

    synth.note_on(channel, key.pitch, key.velocity)
    held = key.duration_blocks
    choke = key.choke_blocks if key.choke_pitch else 0
    pieces = []
    if choke and choke <= held:
        pieces.append(synth.render(choke * BLOCK))
        held -= choke
        # Softest touch: 84 dB below a full one, which leaves the choke and no sound of its own.
        synth.note_on(channel, key.choke_pitch, 1)
        choke = 0
    if held:
        pieces.append(synth.render(held * BLOCK))
    synth.note_off(channel, key.pitch)
    left = _LONGEST_TAIL_S * rate_hz
    if choke:
        pieces.append(synth.render((choke - held) * BLOCK))
        synth.note_on(channel, key.choke_pitch, 1)
    while left > 0 and synth.voices:
        pieces.append(synth.render(_TAIL_CHUNK))
        left -= _TAIL_CHUNK
        if np.abs(pieces[-1]).max() < _TAIL_FLOOR:
            break
    synth.silence()
    synth.render(BLOCK)
    sound = np.concatenate(pieces, axis=1)
    loud = np.flatnonzero(np.abs(sound).max(axis=0) >= _TAIL_FLOOR)
    sound = sound[:, : loud[-1] + 1] if loud.size else sound[:, :1]
    if np.array_equal(sound[0], sound[1]):
        sound = sound[:1]
    return np.ascontiguousarray(sound)


class Recorder:
    """Hands out recordings by key; `prefetch` has them made by threads beforehand.

    Parameters
    ----------
    font : Path
    rate_hz : int
    tuning_hz : float
    jobs : int
        Threads, each with a synthesiser of its own; FluidSynth shares the samples among them.
    """

    def __init__(self, font: Path, *, rate_hz: int, tuning_hz: float, jobs: int) -> None:
        self._font, self._rate_hz, self._tuning_hz = font, rate_hz, tuning_hz
        self._local = threading.local()
        self._synths: list[Synth] = []
        self._pool = ThreadPoolExecutor(max(1, jobs), thread_name_prefix="notes")
        self._kept: OrderedDict[NoteKey, Future[NDArray[np.float32]]] = OrderedDict()
        self._bytes = 0

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the threads and free the synthesisers."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        for synth in self._synths:
            synth.close()
        self._synths.clear()
        self._kept.clear()

    def prefetch(self, keys: list[NoteKey]) -> None:
        """Start recording what is not there yet, in this order."""
        for key in keys:
            if key in self._kept:
                self._kept.move_to_end(key)
            else:
                self._kept[key] = self._pool.submit(self._record, key)

    def get(self, key: NoteKey) -> "NDArray[np.float32]":
        """Return a recording, as (1 or 2, frames)."""
        self.prefetch([key])
        return self._kept[key].result()

    def forget(self, key: NoteKey) -> None:
        """Drop a recording that will not be needed again."""
        self._kept.pop(key, None)

    def trim(self) -> None:
        """Drop the recordings that were asked for longest ago until the rest fits in memory."""
        total = 0
        for key in reversed(tuple(self._kept)):
            future = self._kept[key]
            if future.done():
                total += future.result().nbytes
                if total > _MEMORY_BYTES:
                    del self._kept[key]

    def _record(self, key: NoteKey) -> "NDArray[np.float32]":
        synth = getattr(self._local, "synth", None)
        if synth is None:
            synth = Synth(self._font, rate_hz=self._rate_hz, tuning_hz=self._tuning_hz)
            self._local.synth = synth
            self._synths.append(synth)
        return record_note(synth, key, self._rate_hz)
