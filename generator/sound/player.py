"""What a note of the font sounds like: a pure function of its key, with as little played as may be.

Most presets play a softer touch as the same sound at a lower level. Where the tables of the font
say so (`Preset.touch_edges`), the loudest touch of a layer is recorded and the others are that
recording times a gain. The gain is measured, since FluidSynth rounds levels to 0.1 dB.

Nor is each length recorded: where the level of a key follows one envelope, a note is the recording
of the key held on, times a curve (`fade`). Where its samples follow two, each is recorded apart and
has a curve of its own.
"""

import math
import threading
from bisect import bisect_right
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from generator.sound.cache import NoteCache
from generator.sound.fade import follows, release, risen_blocks
from generator.sound.notes import NoteKey
from generator.sound.preset import Envelope, Generators
from generator.sound.record import record_note, record_onset, touch_gain
from generator.sound.recording import Fade, Recording
from generator.sound.sf2 import FontTables
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Player"]

_POLYPHONY = 64
# The note that shows how a preset fades: low, since the low strings of a font are filtered most.
_CHECKED_PITCH, _CHECKED_VELOCITY = 40, 100
_CHECKED_BLOCKS = 16, 64, 256, 512, 1024  # how long after its rise it is let go
_CHECKED_CHOKE_BLOCKS = 32  # how much later it is choked, if at all


class _Strike(NamedTuple):
    """A velocity on a key of a preset.

    Notes that end `held_from` blocks after their start or later can be faded, if there are
    envelopes. `loudest` and `loudest_held` are the greatest velocities that sound like this one but
    for their level, where a note is recorded whole and where it is held.
    """

    envelopes: tuple[Envelope, ...]
    held_from: float
    loudest: int
    loudest_held: int


class Player:
    """Plays notes when asked, from several threads at once: each has a synthesiser (15 MB, 40 ms).

    Whichever thread plays a note, and however often, the samples are the same to the last bit.

    Parameters
    ----------
    font : FontTables
    rate_hz : int
    tuning_hz : float
    cache : NoteCache, optional
        Recordings on disk: asked first, and given what had to be recorded.
    """

    def __init__(
        self,
        font: FontTables,
        *,
        rate_hz: int,
        tuning_hz: float,
        cache: NoteCache | None = None,
    ) -> None:
        self.cache = cache
        self._font, self._rate_hz, self._tuning_hz = font, rate_hz, tuning_hz
        self._earliest_blocks: dict[tuple[int, int], float | None] = {}
        self._strikes: dict[tuple[int, int, int, int], _Strike] = {}
        self._longest_blocks: dict[tuple[int, int], int] = {}
        self._local = threading.local()
        self._synths: list[Synth] = []
        self._onsets: dict[NoteKey, NDArray[np.float64]] = {}

    def close(self) -> None:
        """Free the synthesisers; no thread may play any more."""
        if self.cache:
            self.cache.close()
        for synth in self._synths:
            synth.close()
        self._synths.clear()

    def warm_up(self, presets: tuple[tuple[int, int], ...]) -> None:
        """Start this thread's synthesiser and have it read the samples of presets."""
        synth = self._own_synth()
        for preset in presets:
            synth.channel_of(*preset)

    def learn(self, bank: int, program: int) -> None:
        """Learn whether notes of a preset may be held on and faded, and how short ones.

        One note shows whether this FluidSynth fades as we think: the sooner it is let go, the more
        of it is the curve.
        """
        if (bank, program) not in self._earliest_blocks:
            place = NoteKey(bank, program, pitch=0, velocity=0, duration_blocks=0)
            self._earliest_blocks[bank, program] = self._kept(
                place, lambda: self._earliest(bank, program)
            )

    def heard_as(self, key: NoteKey) -> tuple[NoteKey, tuple[Fade, ...]]:
        """Return what a note sounds like, whose preset has been learnt.

        That is the key at the loudest touch that differs in its level only, and how the layers of
        it fall silent; none if it is recorded whole.
        """
        touch = bank, program, pitch, own = key[:4]
        strike = self._strikes.get(touch)
        if strike is None:
            strike = self._strikes[touch] = self._strike_of(*touch)
        fades: tuple[Fade, ...] = ()
        velocity = strike.loudest
        if key.ends_blocks >= strike.held_from:
            fades, velocity = self._fades(key, strike.envelopes), strike.loudest_held
        if velocity == own:
            return key, fades
        return NoteKey(bank, program, pitch, velocity, *key[4:]), fades

    def _fades(self, key: NoteKey, envelopes: tuple[Envelope, ...]) -> tuple[Fade, ...]:
        off, choke, rate_hz = key.duration_blocks, key.choke_blocks, self._rate_hz
        return tuple([release(envelope, off, choke, rate_hz) for envelope in envelopes])

    def recording(self, key: NoteKey) -> Recording:
        """Return a note, from the cache if it is there."""
        if self.cache is None:
            return self._record(key)
        recording = self.cache.get(key) or self._beginning(key, self.cache)
        if recording is None and (longer := self._had_better_be(key)) != key:
            self._keep(longer, self.cache)
            self.cache.seal()  # so that it can be found
            recording = self._beginning(key, self.cache)
        return recording or self._keep(key, self.cache)

    def _keep(self, key: NoteKey, cache: NoteCache) -> Recording:
        recording = self._record(key)
        cache.put(key, recording)
        return recording

    def hold_on(self, bank: int, program: int, blocks: int) -> None:
        """Hear that keys of a preset are held for so long: those that stay are recorded so, too.

        A pad holds any key for long sooner or later; what falls silent by itself would only take
        longer to record.
        """
        longest = self._longest_blocks.get((bank, program), 0)
        self._longest_blocks[bank, program] = max(longest, blocks)

    def _had_better_be(self, key: NoteKey) -> NoteKey:
        """Return a key that is held as long as it had better be, at least as long as it is."""
        longest = self._longest_blocks.get((key.bank, key.program), 0)
        if not key.held or longest <= key.duration_blocks:
            return key
        envelopes = self._font.preset(key.bank, key.program).envelopes(key.pitch, key.velocity)
        stays = all(envelope.decay == 0 for envelope in envelopes)
        return key._replace(duration_blocks=longest) if stays else key

    def _beginning(self, key: NoteKey, cache: NoteCache) -> Recording | None:
        """Return what is kept of a key that was held for longer, if it begins like this one."""
        longer = cache.held_longer(key) if key.held else None
        return longer.beginning(key.duration_blocks * BLOCK) if longer else None

    def _record(self, key: NoteKey) -> Recording:
        kept: tuple[Generators, ...] = ()
        if key.held:
            preset = self._font.preset(key.bank, key.program)
            kept = preset.generators(key.pitch, key.velocity, key.held)
        return record_note(self._own_synth(), key, self._rate_hz, kept)

    def touch(self, key: NoteKey, like: NoteKey) -> float | None:
        """Return the gain that makes the touch of `like` this one; None if there is more to it."""

        def measure() -> float | None:
            reference = like._replace(duration_blocks=0, choke_blocks=0, choke_pitch=0)
            loud = self._onsets.get(reference)
            if loud is None:
                loud = self._onsets[reference] = record_onset(self._own_synth(), reference)
            return touch_gain(loud, record_onset(self._own_synth(), key))

        place = key._replace(duration_blocks=0, choke_blocks=like.velocity, choke_pitch=0)
        return self._kept(place, measure)

    def _strike_of(self, bank: int, program: int, pitch: int, velocity: int) -> "_Strike":
        """Return what there is to a key struck so, however long it lasts."""
        preset = self._font.preset(bank, program)
        envelopes = preset.envelopes(pitch, velocity)
        earliest_blocks = self._earliest_blocks[bank, program]
        loudest, loudest_held = (
            velocity if edges is None else _loudest(edges, velocity)
            for edges in (preset.touch_edges(pitch), preset.held_edges(pitch))
        )
        if not envelopes or earliest_blocks is None:
            return _Strike((), math.inf, loudest, loudest_held)
        held_from = self._risen_blocks(envelopes) + earliest_blocks
        return _Strike(envelopes, held_from, loudest, loudest_held)

    def _risen_blocks(self, envelopes: tuple[Envelope, ...]) -> int:
        return max(risen_blocks(envelope, self._rate_hz) for envelope in envelopes)

    def _kept(self, place: NoteKey, measure: Callable[[], float | None]) -> float | None:
        """Return a number from the cache if it is there.

        There it is the scale of one sample, under a key that lasts no time.
        """
        import numpy as np

        kept = self.cache.scale(place) if self.cache else None
        if kept is None:
            number = measure()
            kept = math.nan if number is None else number
            if self.cache:
                self.cache.put(place, Recording(np.ones((1, 1), np.int16), kept))
        return None if math.isnan(kept) else kept

    def _earliest(self, bank: int, program: int) -> int | None:
        preset = self._font.preset(bank, program)
        pitches = sorted(preset.chokes) or sorted(range(128), key=_from_checked)
        for pitch in pitches:
            envelopes = preset.envelopes(pitch, _CHECKED_VELOCITY)
            if envelopes:
                break
        else:
            return None
        risen = self._risen_blocks(envelopes)
        for blocks in _CHECKED_BLOCKS:
            off = risen + blocks
            choke = off + _CHECKED_CHOKE_BLOCKS if preset.chokes else 0
            key = NoteKey(bank, program, pitch, _CHECKED_VELOCITY, off)
            if choke:
                key = key._replace(choke_blocks=choke, choke_pitch=pitch)
            whole, layers = self._record(key), []
            for number, fade in enumerate(self._fades(key, envelopes), 1):
                take = NoteKey(*key[:4], fade.held_blocks, held=number)
                layers.append((self._record(take), fade))
            if follows(whole, layers):
                return blocks
        return None

    def _own_synth(self) -> Synth:
        synth: Synth | None = getattr(self._local, "synth", None)
        if synth is None:
            synth = self._local.synth = Synth(
                self._font.path,
                rate_hz=self._rate_hz,
                tuning_hz=self._tuning_hz,
                polyphony=_POLYPHONY,
            )
            self._synths.append(synth)
        return synth


def _loudest(edges: tuple[int, ...], velocity: int) -> int:
    """Return the greatest velocity of the layer that starts at one of the edges."""
    above = bisect_right(edges, velocity)
    return edges[above] - 1 if above < len(edges) else 127


def _from_checked(pitch: int) -> int:
    return abs(pitch - _CHECKED_PITCH)
