"""Have each distinct note played once, ahead of the mixer, and keep what will be needed again.

Recordings are a pure function of their key (`player`), so the result of a render depends neither
on the number of threads nor on what had to be dropped to stay within memory.
"""

import contextlib
import ctypes
import math
from bisect import bisect_right
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor

from generator.sound.cache import NoteCache
from generator.sound.notes import NoteKey, Placement
from generator.sound.player import Player
from generator.sound.recording import Recording
from generator.sound.sf2 import FontTables

__all__ = ["Recorder"]

_MEMORY_BYTES = 32 << 20
_KEPT_SHARE = 0.75

_Touch = tuple[int, int, int, int]


class Recorder:
    """Hands out recordings by key, for one track after another.

    Parameters
    ----------
    font : FontTables
    rate_hz : int
    tuning_hz : float
    jobs : int
        With one, notes are played as they are asked for. With more, `prefetch` has as many threads
        play them beforehand: whoever mixes waits for them most of the time.
    cache : NoteCache, optional
        Recordings on disk: asked first, and given what had to be recorded.
    """

    def __init__(
        self,
        font: FontTables,
        *,
        rate_hz: int,
        tuning_hz: float,
        jobs: int,
        cache: NoteCache | None = None,
    ) -> None:
        self._player = Player(font, rate_hz=rate_hz, tuning_hz=tuning_hz, cache=cache)
        self._threads = jobs if jobs > 1 else 0
        self._pool = ThreadPoolExecutor(self._threads, "notes") if self._threads else None
        self._asked: dict[NoteKey, Future[_Played]] = {}
        self._asked_touches: dict[_Touch, Future[_Played]] = {}
        self._sounds: dict[NoteKey, Recording] = {}
        self._bytes = 0
        self._uses: dict[NoteKey, list[int]] = {}
        self._loudest: dict[NoteKey, NoteKey] = {}
        self._touches: dict[_Touch, float | None] = {}
        self._ready: dict[NoteKey, tuple[Recording, float]] = {}

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the threads, free the synthesisers, give memory back."""
        if self._pool:
            self._pool.shutdown(wait=True, cancel_futures=True)
        self._player.close()
        for kept in (self._asked, self._sounds, self._ready):
            kept.clear()
        # glibc would keep what was freed, 100 MB here.
        with contextlib.suppress(OSError, AttributeError, TypeError):
            ctypes.CDLL(None).malloc_trim(0)

    def warm_up(self, presets: Iterable[tuple[int, int]]) -> None:
        """Have synthesisers started and samples of presets read before the first note is asked for.

        Not where notes may be on disk: then none may be needed.
        """
        if self._pool and not self._player.cache:
            for _ in range(self._threads):
                self._pool.submit(self._player.warm_up, tuple(sorted(set(presets))))

    def begin(self, parts: Iterable[Iterable[Placement]]) -> None:
        """Hear all that a track will play: what is needed soonest is kept longest."""
        self._uses.clear()
        for placements in parts:
            for placement in placements:
                for key in {placement.key, self._loudest_of(placement.key)}:
                    self._uses.setdefault(key, []).append(placement.start_sample)

    def end(self) -> None:
        """Let other processes see what was recorded for a track."""
        if self._player.cache:
            self._player.cache.seal()

    def prefetch(self, keys: Iterable[NoteKey]) -> None:
        """Start playing what is not there yet, in this order."""
        if not self._pool:
            return
        sounds: dict[NoteKey, None] = {}
        touches: dict[_Touch, NoteKey] = {}
        for key in keys:
            if key in self._ready:
                continue
            loudest, touch = self._loudest_of(key), _touch(key)
            if loudest not in self._sounds and loudest not in self._asked:
                sounds[loudest] = None
            if key != loudest and touch not in self._touches and touch not in self._asked_touches:
                touches[touch] = key
        if sounds or touches:
            future = self._pool.submit(_Played, self._player, [*sounds], [*touches.values()])
            self._asked.update(dict.fromkeys(sounds, future))
            self._asked_touches.update(dict.fromkeys(touches, future))

    def get(self, key: NoteKey, now: int = 0) -> tuple[Recording, float]:
        """Return a recording and the gain that makes it the note asked for.

        `now` is the sample that the mix has come to.
        """
        ready = self._ready.get(key)
        if ready is None:
            ready = self._find(key, now)
            self._ready[key] = ready
        return ready

    def _find(self, key: NoteKey, now: int) -> tuple[Recording, float]:
        loudest = self._loudest_of(key)
        if key == loudest:
            return self._sound(key, now), 1.0
        touch = _touch(key)
        if touch not in self._touches:
            asked = self._asked_touches.pop(touch, None)
            played = asked.result() if asked else self._play([], [key])
            self._touches[touch] = played.touches[touch]
        gain = self._touches[touch]
        return (self._sound(key, now), 1.0) if gain is None else (self._sound(loudest, now), gain)

    def _sound(self, key: NoteKey, now: int) -> Recording:
        known = self._sounds.get(key)
        if known is not None:
            return known
        asked = self._asked.pop(key, None)
        played = asked.result() if asked else self._play([key], [])
        sound = self._sounds[key] = played.sounds.pop(key)
        self._bytes += sound.samples.nbytes
        if self._bytes > _MEMORY_BYTES:
            self._drop_some(key, now)
        return sound

    def _play(self, sounds: list[NoteKey], touches: list[NoteKey]) -> "_Played":
        if self._pool:  # where there are synthesisers already
            return self._pool.submit(_Played, self._player, sounds, touches).result()
        return _Played(self._player, sounds, touches)

    def _drop_some(self, newest: NoteKey, now: int) -> None:
        """Drop what is needed last (Belady 1966); it is played again when its time comes."""
        order = sorted(self._sounds, key=lambda key: self._next_use(key, now))
        dropped = set()
        while self._bytes > _KEPT_SHARE * _MEMORY_BYTES and order:
            last = order.pop()
            if last != newest:
                sound = self._sounds.pop(last)
                self._bytes -= sound.samples.nbytes
                dropped.add(id(sound))
        self._ready = {key: kept for key, kept in self._ready.items() if id(kept[0]) not in dropped}

    def _next_use(self, key: NoteKey, now: int) -> float:
        """Return the start of the first use of a recording that has not ended `now`."""
        uses = self._uses.get(key, ())
        place = bisect_right(uses, now - self._sounds[key].frames)
        return uses[place] if place < len(uses) else math.inf

    def _loudest_of(self, key: NoteKey) -> NoteKey:
        known = self._loudest.get(key)
        if known is None:
            known = self._loudest[key] = self._player.loudest(key)
        return known


class _Played:
    """What one request of the mixer gave."""

    def __init__(self, player: Player, sounds: list[NoteKey], touches: list[NoteKey]) -> None:
        self.sounds: dict[NoteKey, Recording] = {}
        self.touches: dict[_Touch, float | None] = {}
        for key in sounds:
            self.sounds[key] = player.sound(key)
        for key in touches:
            self.touches[_touch(key)] = player.touch(key)


def _touch(key: NoteKey) -> _Touch:
    return key.bank, key.program, key.pitch, key.velocity
