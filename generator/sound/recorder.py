"""Have each distinct note played once, ahead of the mixer, and keep what will be needed again.

Recordings are a pure function of their key (`player`), and which ones a track uses is one of its
notes, so the result of a render depends neither on the number of threads nor on what had to be
dropped to stay within memory.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache
from itertools import chain
from typing import NamedTuple

from generator.sound.cache import NoteCache
from generator.sound.memory import give_back
from generator.sound.notes import HELD_BLOCKS, NoteKey, Placement
from generator.sound.player import Player
from generator.sound.recording import Fade, Recording, Sound
from generator.sound.sf2 import FontTables

__all__ = ["Recorder"]

_MEMORY_BYTES = 64 << 20
"""How much recordings may take, but for those that lie in files of the cache; those that are needed
last go."""
_KEPT_SHARE = 0.75

_REQUEST_BLOCKS = 4096  # 6 s

_MOST_NEEDS = 20_000  # 10 MB

_Touch = tuple[int, int, int, int]
"""Bank, program, pitch, velocity."""


class _Need(NamedTuple):
    """What there is to a note, whatever track plays it.

    `loudest` is the key at the loudest touch that sounds like it. A key has to be held for
    `held_blocks`, unless it is recorded whole: then that is 0, and there are no fades.
    """

    touch: _Touch
    loudest: NoteKey
    loudest_touch: _Touch
    fades: tuple[Fade, ...]
    held_blocks: int


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
    many : bool
        Whether many tracks are to come: then some keys are held for longer than the first asks.
    """

    def __init__(
        self,
        font: FontTables,
        *,
        rate_hz: int,
        tuning_hz: float,
        jobs: int,
        cache: NoteCache | None = None,
        many: bool = False,
    ) -> None:
        self._many = many
        self._player = Player(font, rate_hz=rate_hz, tuning_hz=tuning_hz, cache=cache)
        self._threads = jobs if jobs > 1 else 0
        self._pool = ThreadPoolExecutor(self._threads, "notes") if self._threads else None
        self._asked: dict[NoteKey, Future[_Played]] = {}
        self._asked_gains: dict[tuple[_Touch, _Touch], Future[_Played]] = {}
        self._recordings: dict[NoteKey, Recording] = {}
        self._bytes = 0
        self._fresh: list[NoteKey] = []
        self._lessons: dict[tuple[int, int], Future[None]] = {}
        self._needs: dict[NoteKey, _Need] = {}
        self._gains: dict[tuple[_Touch, _Touch], float | None] = {}
        # Of the track that plays now:
        self._parts: list[tuple[Placement, ...]] = []
        self._uses: dict[NoteKey, list[int]] = {}
        self._held_blocks: dict[_Touch, int] = {}
        self._ready: dict[NoteKey, tuple[Sound, ...]] = {}

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the threads, free the synthesisers, give memory back."""
        if self._pool:
            self._pool.shutdown(wait=True, cancel_futures=True)
        self._player.close()
        for kept in (self._asked, self._recordings, self._ready):
            kept.clear()
        give_back()

    def warm_up(self, presets: Iterable[tuple[int, int]]) -> None:
        """Have presets got ready before the first note is asked for.

        Synthesisers start and read the samples, not where notes may be on disk: then none may be
        needed, and it is seen what is there.
        """
        if not self._pool:
            return
        wanted = sorted(set(presets))
        if self._player.cache:
            self._pool.submit(self._player.cache.open)
        else:
            for _ in range(self._threads):
                self._pool.submit(self._player.warm_up, tuple(wanted))
        for preset in wanted:
            self._lessons[preset] = self._pool.submit(self._player.learn, *preset)

    def begin(self, parts: Iterable[tuple[Placement, ...]]) -> None:
        """Hear all that a track will play: for how long each key has to be held, and when.

        What is needed soonest is kept longest.
        """
        for kept in (self._uses, self._held_blocks, self._ready):
            kept.clear()
        if len(self._needs) > _MOST_NEEDS:
            self._needs.clear()
        self._parts = list(parts)
        held = self._held_blocks
        for key in dict.fromkeys(key for part in self._parts for _, key, _ in part):
            touch, _, loudest_touch, _, needed = self._need_of(key)
            for either in (touch, loudest_touch) if needed else ():
                if needed > held.get(either, 0):
                    held[either] = needed
        if self._many:
            for touch, needed in held.items():
                self._player.hold_on(*touch[:2], _held_blocks(needed))

    def end(self) -> None:
        """Let other processes see what was recorded for a track, and share its memory with them."""
        fresh, self._fresh = self._fresh, []
        cache = self._player.cache
        if cache is None:
            return
        cache.seal()
        for take in fresh:
            if take in self._recordings and (shared := cache.get(take)):
                self._bytes -= self._recordings[take].own_bytes
                self._recordings[take] = shared
        self._ready.clear()

    def prefetch(self, keys: Iterable[NoteKey]) -> None:
        """Start playing what is not there yet, in this order."""
        if not self._pool:
            return
        takes: dict[NoteKey, None] = {}
        gains: dict[tuple[_Touch, _Touch], tuple[NoteKey, NoteKey]] = {}
        for key in keys:
            if key in self._ready:
                continue
            need = self._need_of(key)
            touch, loudest, loudest_touch, *_ = need
            for take in self._takes_of(loudest, loudest_touch, need):
                if take not in self._recordings and take not in self._asked:
                    takes[take] = None
            if touch == loudest_touch:
                continue
            touches = touch, loudest_touch
            if touches not in self._gains and touches not in self._asked_gains:
                gains[touches] = key, loudest
        for some in _requests(takes):
            future = self._pool.submit(_Played, self._player, some, [])
            self._asked.update(dict.fromkeys(some, future))
        if gains:
            future = self._pool.submit(_Played, self._player, [], [*gains.values()])
            self._asked_gains.update(dict.fromkeys(gains, future))

    def get(self, key: NoteKey, now: int = 0) -> tuple[Sound, ...]:
        """Return what sounds of a note; `now` is the sample that the mix has come to."""
        ready = self._ready.get(key)
        if ready is None:
            ready = self._ready[key] = self._find(key, now)
        return ready

    def _find(self, key: NoteKey, now: int) -> tuple[Sound, ...]:
        need = self._need_of(key)
        touch, loudest, loudest_touch, fades, _ = need
        own: float | None = 1.0
        if touch != loudest_touch:
            touches = touch, loudest_touch
            if touches not in self._gains:
                asked = self._asked_gains.pop(touches, None)
                played = asked.result() if asked else self._play([], [(key, loudest)])
                self._gains[touches] = played.gains[touches]
            own = self._gains[touches]
        if own is None:
            gain, takes = 1.0, self._takes_of(key, touch, need)
        else:
            gain, takes = own, self._takes_of(loudest, loudest_touch, need)
        return tuple(
            [
                Sound(self._recording(take, now), gain, fade)
                for take, fade in zip(takes, fades or (None,), strict=True)
            ]
        )

    def _recording(self, take: NoteKey, now: int) -> Recording:
        known = self._recordings.get(take)
        if known is not None:
            return known
        asked = self._asked.pop(take, None)
        played = asked.result() if asked else self._play([take], [])
        recording = self._recordings[take] = played.recordings.pop(take)
        if recording.own_bytes:
            self._fresh.append(take)
            self._bytes += recording.own_bytes
        if self._bytes > _MEMORY_BYTES:
            self._drop_some(take, now)
        return recording

    def _play(self, takes: list[NoteKey], gains: list[tuple[NoteKey, NoteKey]]) -> "_Played":
        if self._pool:  # where there are synthesisers already
            return self._pool.submit(_Played, self._player, takes, gains).result()
        return _Played(self._player, takes, gains)

    def _drop_some(self, newest: NoteKey, now: int) -> None:
        """Drop what is needed last (Belady 1966); it is played again when its time comes."""
        if not self._uses:
            starts: dict[NoteKey, list[int]] = {}
            for start, key, _ in chain(*self._parts):
                starts.setdefault(key, []).append(start)
            for key, samples in starts.items():
                need = self._need_of(key)
                own = self._takes_of(key, need.touch, need)
                for take in {*own, *self._takes_of(need.loudest, need.loudest_touch, need)}:
                    self._uses.setdefault(take, []).extend(samples)
            for samples in self._uses.values():
                samples.sort()
        droppable = [take for take, held in self._recordings.items() if held.own_bytes]
        order = sorted(droppable, key=lambda take: self._next_use(take, now))
        dropped = set()
        while self._bytes > _KEPT_SHARE * _MEMORY_BYTES and order:
            last = order.pop()
            if last != newest:
                recording = self._recordings.pop(last)
                self._bytes -= recording.own_bytes
                dropped.add(id(recording))
        self._ready = {
            key: sounds
            for key, sounds in self._ready.items()
            if all(id(sound.recording) not in dropped for sound in sounds)
        }

    def _next_use(self, take: NoteKey, now: int) -> float:
        """Return the start of the first use of a recording that has not ended `now`."""
        uses = self._uses.get(take, ())
        place = bisect_right(uses, now - self._recordings[take].frames)
        return uses[place] if place < len(uses) else math.inf

    def _need_of(self, key: NoteKey) -> _Need:
        need = self._needs.get(key)
        if need is None:
            preset = key[:2]
            if preset in self._lessons:
                self._lessons.pop(preset).result()
            self._player.learn(*preset)
            loudest, fades = self._player.heard_as(key)
            held_blocks = max([fade.held_blocks for fade in fades], default=0)
            need = self._needs[key] = _Need(key[:4], loudest, loudest[:4], fades, held_blocks)
        return need

    def _takes_of(self, like: NoteKey, touch: _Touch, need: _Need) -> tuple[NoteKey, ...]:
        """Return what is recorded for a note at the touch of `like`: held where it can be faded."""
        if not need.held_blocks:
            return (like,)
        needed = max(need.held_blocks, self._held_blocks.get(touch, 0))
        return _layers(touch, _held_blocks(needed), len(need.fades))


class _Played:
    """What one request of the mixer gave."""

    def __init__(
        self, player: Player, takes: list[NoteKey], gains: list[tuple[NoteKey, NoteKey]]
    ) -> None:
        self.recordings = {take: player.recording(take) for take in takes}
        self.gains = {(key[:4], like[:4]): player.touch(key, like) for key, like in gains}


def _requests(takes: Iterable[NoteKey]) -> Iterator[list[NoteKey]]:
    """Cut takes into requests: nobody waits for a long one that can do with a short one."""
    some: list[NoteKey] = []
    blocks = 0
    for take in takes:
        some.append(take)
        blocks += take.duration_blocks
        if blocks >= _REQUEST_BLOCKS:
            yield some
            some, blocks = [], 0
    if some:
        yield some


def _held_blocks(needed: int) -> int:
    """Return for how long a key is held that is needed for so long."""
    place = bisect_left(HELD_BLOCKS, needed)
    return HELD_BLOCKS[place] if place < len(HELD_BLOCKS) else needed


@lru_cache(maxsize=8192)
def _layers(touch: _Touch, blocks: int, count: int) -> tuple[NoteKey, ...]:
    """Return the layers of a key that is held for so many blocks."""
    return tuple(NoteKey(*touch, blocks, held=layer) for layer in range(1, count + 1))
