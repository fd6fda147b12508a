"""Record each distinct note once, ahead of the mixer, and keep what will be needed again.

Recordings are a pure function of their key: whichever thread makes one, and however often, the
samples are the same to the last bit. So the result of a render depends neither on the number of
threads nor on what had to be dropped to stay within memory.

Most presets play a softer touch as the same sound at a lower level. Where the tables of the font
say so (`FontTables.touch_layers`), the loudest touch of a layer is recorded and the others are
that recording times a gain. The gain is measured, since FluidSynth rounds levels to 0.1 dB.
"""

import contextlib
import ctypes
import math
import threading
from bisect import bisect_right
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING

from generator.sound.cache import NoteCache
from generator.sound.fade import EARLIEST_BLOCKS, faded, follows, trimmed
from generator.sound.mix import Recording
from generator.sound.notes import NoteKey, Placement
from generator.sound.sf2 import PERCUSSION_BANK, FontTables
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Recorder", "record_note"]

_TAIL_CHUNK = 32 * BLOCK
_TAIL_FLOOR = 10 ** (-90 / 20)  # relative to the peak of the note
_CHOKED_FLOOR = 10 ** (-80 / 20)  # above what is left of the touch that chokes
_SILENT = 1e-7
_HELD_CHUNK = 256
_ALONE_S = 5.0  # what is longer than this is no drum stroke
_LONGEST_TAIL_S = 30
_MEMORY_BYTES = 36 << 20
_POLYPHONY = 64
_ONSET = 16 * BLOCK
_PURE = 1e-4  # greatest residual (-80 dB) for which a touch counts as a gain


def record_note(synth: Synth, key: NoteKey, rate_hz: int) -> "NDArray[np.float32]":
    """Play one note on a clean voice and return it from its onset until it has died away.

    A voice of FluidSynth keeps filter and gain state of the note that it played before. So the
    note (and what chokes it) is started once and killed, which leaves its own state behind, and
    then recorded.

    Returns
    -------
    array of float32, (2, frames) or, when both sides are equal, (1, frames)
    """
    import numpy as np

    channel = _strike_clean(synth, key)
    held = key.duration_blocks
    choke = key.choke_blocks if key.choke_pitch else 0
    tape = _Tape(synth)
    if choke and choke <= held:
        tape.roll(choke * BLOCK)
        held -= choke
        # Softest touch: 84 dB below a full one, which leaves the choke and no sound of its own.
        synth.note_on(channel, key.choke_pitch, 1)
        choke = 0
    while held and synth.voices:  # a drum may end by itself
        tape.roll(min(held, _HELD_CHUNK) * BLOCK)
        held -= min(held, _HELD_CHUNK)
    synth.note_off(channel, key.pitch)
    if choke:
        tape.roll((choke - key.duration_blocks) * BLOCK)
        synth.note_on(channel, key.choke_pitch, 1)
    floor = _CHOKED_FLOOR if key.choke_pitch else _TAIL_FLOOR
    floor = max(_SILENT, floor * _height(tape.sound()))
    left = _LONGEST_TAIL_S * rate_hz
    while left > 0 and synth.voices:
        if _height(tape.roll(_TAIL_CHUNK)) < floor:
            tape.frames -= _TAIL_CHUNK
            break
        left -= _TAIL_CHUNK
    synth.silence()
    synth.render(BLOCK)
    sound = tape.sound()
    return sound[: 1 if np.array_equal(sound[0], sound[1]) else 2].copy()


class _Tape:
    """What a synthesiser has played so far, on its own memory that one note leaves to the next."""

    def __init__(self, synth: Synth) -> None:
        self._synth = synth
        self.frames = 0

    def sound(self) -> "NDArray[np.float32]":
        """Return what was recorded, until the next note is."""
        return self._synth.memory[:, : self.frames]

    def roll(self, frames: int) -> "NDArray[np.float32]":
        """Record on, and return what came."""
        import numpy as np

        start, self.frames = self.frames, self.frames + frames
        memory = self._synth.memory
        if memory.shape[1] < self.frames:
            grown = np.empty((2, 2 * self.frames), np.float32)
            grown[:, :start] = memory[:, :start]
            memory = self._synth.memory = grown
        piece = memory[:, start : self.frames]
        self._synth.render_into(piece)
        return piece


def record_onset(synth: Synth, key: NoteKey) -> "NDArray[np.float64]":
    """Play the first moments of a note on a clean voice; both sides one after the other."""
    import numpy as np

    _strike_clean(synth, key._replace(choke_pitch=0))
    onset = synth.render(_ONSET).astype(np.float64).ravel()
    synth.silence()
    synth.render(BLOCK)
    return onset


def touch_gain(loud: "NDArray[np.float64]", soft: "NDArray[np.float64]") -> float | None:
    """Return the gain that makes the loud onset the soft one; None if there is more to it."""
    energy = float(loud @ loud)
    if energy == 0.0:
        return None
    gain = float(soft @ loud) / energy
    rest = soft - gain * loud
    return gain if float(rest @ rest) <= _PURE**2 * float(soft @ soft) else None


def _strike_clean(synth: Synth, key: NoteKey) -> int:
    channel = synth.channel_of(key.bank, key.program)
    synth.note_on(channel, key.pitch, key.velocity)
    if key.choke_pitch:
        synth.note_on(channel, key.choke_pitch, 1)
    synth.render(BLOCK)
    synth.silence()
    synth.render(BLOCK)
    synth.note_on(channel, key.pitch, key.velocity)
    return channel


def _height(samples: "NDArray[np.float32]") -> float:
    return max(float(samples.max()), -float(samples.min()))


def _give_back() -> None:
    """Let the C library return memory that was freed; glibc keeps it otherwise, 100 MB here."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


class Recorder:
    """Hands out recordings by key; `prefetch` has them made by threads beforehand.

    Parameters
    ----------
    font : FontTables
    rate_hz : int
    tuning_hz : float
    jobs : int
        Half as many threads record, each with a synthesiser of its own (15 MB, 40 ms): whoever
        mixes needs the other half.
    presets : iterable of (int, int)
        Bank and program of what will be played: read at once, before the first note is asked for.
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
        presets: Iterable[tuple[int, int]] = (),
        cache: NoteCache | None = None,
    ) -> None:
        self._cache = cache
        self._font, self._rate_hz, self._tuning_hz = font, rate_hz, tuning_hz
        self._presets = tuple(sorted(set(presets)))
        self._layers: dict[tuple[int, int], dict[int, tuple[int, ...] | None]] = {}
        self._local = threading.local()
        self._synths: list[Synth] = []
        threads = max(1, jobs // 2)
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="notes")
        self._asked: dict[NoteKey, Future[NDArray[np.float32]]] = {}
        self._sounds: dict[NoteKey, Recording] = {}
        self._uses: dict[NoteKey, list[int]] = {}
        self._bytes = 0
        self._loudest_of: dict[NoteKey, NoteKey] = {}
        self._asked_gains: dict[tuple[int, int, int, int], Future[float | None]] = {}
        self._gains: dict[NoteKey, float | None] = {}
        self._onsets: dict[NoteKey, NDArray[np.float64]] = {}
        self._drums = threading.Lock()
        self._alone: dict[NoteKey, NDArray[np.float32] | None] = {}
        self._releases_s: dict[tuple[int, int], dict[int, float]] = {}
        for _ in range(threads if cache is None else 0):
            self._pool.submit(self._own_synth)

    def __enter__(self) -> "Recorder":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the threads and free the synthesisers."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        if self._cache:
            self._cache.close()
        for synth in self._synths:
            synth.close()
        self._synths.clear()
        self._asked.clear()
        self._sounds.clear()
        self._alone.clear()
        _give_back()

    def prefetch(self, keys: Iterable[NoteKey]) -> None:
        """Start recording what is not there yet, in this order."""
        for key in keys:
            loudest = self._loudest(key)
            if loudest not in self._sounds and loudest not in self._asked:
                self._asked[loudest] = self._pool.submit(self._record, loudest)
            if key.velocity != loudest.velocity:
                touch = (key.bank, key.program, key.pitch, key.velocity)
                if touch not in self._asked_gains:
                    self._asked_gains[touch] = self._pool.submit(self._gain, key, loudest.velocity)

    def expect(self, placements: Iterable[Placement]) -> None:
        """Hear all that one part will play, in order: what is needed soonest is kept longest."""
        for placement in placements:
            for key in {placement.key, self._loudest(placement.key)}:
                self._uses.setdefault(key, []).append(placement.start_sample)

    def get(self, key: NoteKey, now: int = 0) -> tuple[Recording, float]:
        """Return a recording and the gain that makes it the note asked for.

        `now` is the sample that the mix has come to.
        """
        if key in self._gains:
            gain = self._gains[key]
        else:
            self.prefetch((key,))
            touch = (key.bank, key.program, key.pitch, key.velocity)
            alike = key == self._loudest(key)
            gain = self._gains[key] = 1.0 if alike else self._asked_gains[touch].result()
        if gain is None:
            return self._sound(key, now), 1.0
        return self._sound(self._loudest_of[key], now), gain

    def _sound(self, key: NoteKey, now: int) -> Recording:
        sound = self._sounds.get(key)
        if sound is not None:
            return sound
        future = self._asked.pop(key, None) or self._pool.submit(self._record, key)
        sound = self._sounds[key] = Recording(future.result())
        self._bytes += sound.samples.nbytes
        # What is needed last goes (Belady 1966), and is recorded again when its time comes.
        while self._bytes > _MEMORY_BYTES and len(self._sounds) > 1:
            last = max(self._sounds, key=lambda kept: self._next_use(kept, now))
            self._bytes -= self._sounds.pop(last).samples.nbytes
        return sound

    def _next_use(self, key: NoteKey, now: int) -> float:
        """Return the start of the first use of a recording that has not ended `now`."""
        uses = self._uses.get(key, ())
        place = bisect_right(uses, now - self._sounds[key].frames)
        return uses[place] if place < len(uses) else math.inf

    def _loudest(self, key: NoteKey) -> NoteKey:
        known = self._loudest_of.get(key)
        if known is None:
            known = self._loudest_of[key] = self._find_loudest(key)
        return known

    def _find_loudest(self, key: NoteKey) -> NoteKey:
        preset = (key.bank, key.program)
        if preset not in self._layers:
            self._layers[preset] = self._font.touch_layers(*preset)
        edges = self._layers[preset][key.pitch]
        if edges is None:
            return key
        above = bisect_right(edges, key.velocity)
        velocity = edges[above] - 1 if above < len(edges) else 127
        return key if velocity == key.velocity else key._replace(velocity=velocity)

    def _own_synth(self) -> Synth:
        synth: Synth | None = getattr(self._local, "synth", None)
        if synth is None:
            synth = Synth(
                self._font.path,
                rate_hz=self._rate_hz,
                tuning_hz=self._tuning_hz,
                polyphony=_POLYPHONY,
            )
            self._local.synth = synth
            self._synths.append(synth)
            for preset in self._presets:
                synth.channel_of(*preset)
        return synth

    def _record(self, key: NoteKey) -> "NDArray[np.float32]":
        """Return a recording: of a drum, where the font allows, one left alone and faded."""
        if key.bank != PERCUSSION_BANK or key.duration_blocks < EARLIEST_BLOCKS:
            return self._kept(key)
        with self._drums:  # else two threads would record the same one
            preset = (key.bank, key.program)
            if preset not in self._releases_s:
                self._releases_s[preset] = self._checked_releases_s(*preset)
            release_s = self._releases_s[preset].get(key.pitch)
            alone = None if release_s is None else self._left_alone(key)
        if alone is None or release_s is None:
            return self._kept(key)
        return self._faded(alone, key, release_s)

    def _left_alone(self, key: NoteKey) -> "NDArray[np.float32] | None":
        """Return a stroke that is neither let go nor choked; None if it does not end by itself."""
        blocks = round(_ALONE_S * self._rate_hz / BLOCK)
        alone = key._replace(duration_blocks=blocks, choke_blocks=0, choke_pitch=0)
        if alone not in self._alone:
            sound = self._kept(alone)
            self._alone[alone] = trimmed(sound).copy() if sound.shape[1] < blocks * BLOCK else None
        return self._alone[alone]

    def _faded(
        self, alone: "NDArray[np.float32]", key: NoteKey, release_s: float
    ) -> "NDArray[np.float32]":
        return faded(
            alone,
            off_blocks=key.duration_blocks,
            release_s=release_s,
            choke_blocks=key.choke_blocks,
            rate_hz=self._rate_hz,
        )

    def _checked_releases_s(self, bank: int, program: int) -> dict[int, float]:
        """Return how long keys take to fall silent, if this FluidSynth fades as we think."""
        releases_s = self._font.steady_releases_s(bank, program)
        for pitch in sorted(self._font.chokes(bank, program).keys() & releases_s.keys()):
            key = NoteKey(bank, program, pitch, 127, 2 * EARLIEST_BLOCKS, 64, pitch)
            alone = self._left_alone(key)
            if alone is not None:
                expected = self._faded(alone, key, releases_s[pitch])
                return releases_s if follows(self._kept(key), expected) else {}
        return {}

    def _kept(self, key: NoteKey) -> "NDArray[np.float32]":
        """Return a recording as it is, from the cache if it is there."""
        sound = self._cache.get(key) if self._cache else None
        if sound is None:
            sound = record_note(self._own_synth(), key, self._rate_hz)
            if self._cache:
                self._cache.put(key, sound)
        return sound

    def _gain(self, key: NoteKey, reference_velocity: int) -> float | None:
        import numpy as np

        # A gain is kept as a recording of one sample, under a note that lasts no time.
        place = key._replace(duration_blocks=0, choke_blocks=reference_velocity, choke_pitch=0)
        kept = self._cache.get(place) if self._cache else None
        if kept is None:
            reference = key._replace(velocity=reference_velocity, duration_blocks=0)
            loud = self._onsets.get(reference)
            if loud is None:
                loud = self._onsets[reference] = record_onset(self._own_synth(), reference)
            gain = touch_gain(loud, record_onset(self._own_synth(), key))
            kept = np.array([[math.nan if gain is None else gain]], np.float32)
            if self._cache:
                self._cache.put(place, kept)
        gain = float(kept[0, 0])
        return None if math.isnan(gain) else gain
