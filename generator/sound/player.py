"""What a note of the font sounds like: a pure function of its key, with as little played as may be.

Most presets play a softer touch as the same sound at a lower level. Where the tables of the font
say so (`FontTables.touch_layers`), the loudest touch of a layer is recorded and the others are
that recording times a gain. The gain is measured, since FluidSynth rounds levels to 0.1 dB.
Drum strokes of any length are one recording that is faded (`fade`).
"""

import math
import threading
from bisect import bisect_right
from typing import TYPE_CHECKING

from generator.sound.cache import NoteCache
from generator.sound.fade import EARLIEST_BLOCKS, faded, follows, trimmed
from generator.sound.notes import NoteKey
from generator.sound.record import record_note, record_onset, touch_gain
from generator.sound.recording import Recording
from generator.sound.sf2 import PERCUSSION_BANK, FontTables
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Player"]

_ALONE_S = 5.0  # what is longer than this is no drum stroke
_POLYPHONY = 64


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
        self._layers: dict[tuple[int, int], dict[int, tuple[int, ...] | None]] = {}
        self._local = threading.local()
        self._synths: list[Synth] = []
        self._onsets: dict[NoteKey, NDArray[np.float64]] = {}
        self._drums = threading.Lock()
        self._alone: dict[NoteKey, NDArray[np.float32] | None] = {}
        self._releases_s: dict[tuple[int, int], dict[int, float]] = {}

    def close(self) -> None:
        """Free the synthesisers; no thread may play any more."""
        if self.cache:
            self.cache.close()
        for synth in self._synths:
            synth.close()
        self._synths.clear()
        self._alone.clear()

    def warm_up(self, presets: tuple[tuple[int, int], ...]) -> None:
        """Start this thread's synthesiser and have it read the samples of presets."""
        synth = self._own_synth()
        for preset in presets:
            synth.channel_of(*preset)

    def loudest(self, key: NoteKey) -> NoteKey:
        """Return the key at the loudest touch that sounds like it but for its level."""
        preset = (key.bank, key.program)
        if preset not in self._layers:
            self._layers[preset] = self._font.touch_layers(*preset)
        edges = self._layers[preset][key.pitch]
        if edges is None:
            return key
        above = bisect_right(edges, key.velocity)
        velocity = edges[above] - 1 if above < len(edges) else 127
        return key if velocity == key.velocity else key._replace(velocity=velocity)

    def sound(self, key: NoteKey) -> Recording:
        """Return a note."""
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
        return Recording.of(self._faded(alone, key, release_s))

    def touch(self, key: NoteKey) -> float | None:
        """Return the gain that makes the loudest touch this one; None if there is more to it."""
        import numpy as np

        loudest = self.loudest(key).velocity
        # A gain is kept as the scale of one sample, under a note that lasts no time.
        place = key._replace(duration_blocks=0, choke_blocks=loudest, choke_pitch=0)
        kept = self.cache.get(place) if self.cache else None
        if kept is None:
            reference = key._replace(velocity=loudest, duration_blocks=0)
            loud = self._onsets.get(reference)
            if loud is None:
                loud = self._onsets[reference] = record_onset(self._own_synth(), reference)
            gain = touch_gain(loud, record_onset(self._own_synth(), key))
            kept = Recording(np.ones((1, 1), np.int16), math.nan if gain is None else gain)
            if self.cache:
                self.cache.put(place, kept)
        return None if math.isnan(kept.scale) else kept.scale

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

    def _kept(self, key: NoteKey) -> Recording:
        """Return a recording as it is, from the cache if it is there."""
        sound = self.cache.get(key) if self.cache else None
        if sound is None:
            sound = Recording.of(record_note(self._own_synth(), key, self._rate_hz))
            if self.cache:
                self.cache.put(key, sound)
        return sound

    def _left_alone(self, key: NoteKey) -> "NDArray[np.float32] | None":
        """Return a stroke that is neither let go nor choked; None if it does not end by itself."""
        blocks = round(_ALONE_S * self._rate_hz / BLOCK)
        alone = key._replace(duration_blocks=blocks, choke_blocks=0, choke_pitch=0)
        if alone not in self._alone:
            sound = self._kept(alone)
            ends = sound.frames < blocks * BLOCK
            self._alone[alone] = trimmed(sound.decoded()).copy() if ends else None
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
                return releases_s if follows(self._kept(key).decoded(), expected) else {}
        return {}
