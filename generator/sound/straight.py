"""The plain way to render a part, as the reference to test against.

One synthesiser plays the whole part; events fall on the nearest block of 64 samples, controllers
go to the synthesiser itself. Slower than placing recordings, up to 0.7 ms off in time.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from generator.band.arrangement import Part
from generator.clock import Clock
from generator.sound.mix import Channel, damping
from generator.sound.native import Dry
from generator.sound.notes import preset_of
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["StraightBus"]

_POLYPHONY = 4096
_OFF, _CONTROL, _ON = 0, 1, 2


class StraightBus:
    """The dry signal of one part, played from beginning to end by a synthesiser of its own.

    Parameters
    ----------
    channel : Channel
        Its placements and expression are not used.
    part : Part
    clock : Clock
    font : Path
    rate_hz : int
    tuning_hz : float
    silences : tuple of (int, int)
        In ticks: what rings is damped, and dead when they end.

    Attributes
    ----------
    ends : int or None
        The sample from which on it is silent; None while that is not known.
    """

    def __init__(
        self,
        channel: Channel,
        part: Part,
        clock: Clock,
        font: Path,
        *,
        rate_hz: int,
        tuning_hz: float = 440.0,
        silences: tuple[tuple[int, int], ...] = (),
    ) -> None:
        self.channel = channel
        self._synth = Synth(font, rate_hz=rate_hz, tuning_hz=tuning_hz, polyphony=_POLYPHONY)
        self._midi_channel = self._synth.channel_of(*preset_of(part))
        self._silences = [
            (clock.samples(start, rate_hz), clock.samples(end, rate_hz)) for start, end in silences
        ]
        self._damping = damping(rate_hz)

        def block(tick: int) -> int:
            return max(0, round(clock.samples(tick, rate_hz) / BLOCK))

        events = []
        for note in part.notes:
            start = block(note.start_tick)
            events.append((start, _ON, note.pitch, note.velocity))
            events.append((max(start + 1, block(note.end_tick)), _OFF, note.pitch, 0))
        events += [(block(c.tick), _CONTROL, c.number, c.value) for c in part.controls]
        events += [(end // BLOCK, -1, 0, 0) for _, end in self._silences]
        self._events = sorted(events)
        self._next = 0
        self.ends: int | None = None

    def close(self) -> None:
        """Free the synthesiser."""
        self._synth.close()

    def prepare(self, end: int) -> None:
        """Do nothing: a synthesiser is always ready."""

    def block(self, start: int, frames: int) -> Dry:
        """Return the samples from `start` on, ready; a multiple of 64."""
        import numpy as np

        out = np.empty((2, frames), np.float32)
        done, first = 0, start // BLOCK
        while done < frames:
            while self._next < len(self._events) and self._events[self._next][0] <= first:
                self._play(*self._events[self._next][1:])
                self._next += 1
            until = frames // BLOCK + start // BLOCK
            if self._next < len(self._events):
                until = min(until, self._events[self._next][0])
            piece = self._synth.render((until - first) * BLOCK)
            out[:, done : done + piece.shape[1]] = piece
            done += piece.shape[1]
            first = until
        if self.ends is None and self._next == len(self._events) and not self._synth.voices:
            self.ends = start + frames
        for silence in self._silences:
            self._damp(out, start, *silence)
        return Dry(ready=out)

    def _play(self, kind: int, number: int, value: int) -> None:
        if kind == _ON:
            self._synth.note_on(self._midi_channel, number, value)
        elif kind == _OFF:
            self._synth.note_off(self._midi_channel, number)
        elif kind == _CONTROL:
            self._synth.control(self._midi_channel, number, value)
        else:
            self._synth.silence()

    def _damp(self, out: "NDArray[np.float32]", start: int, quiet: int, end: int) -> None:
        a, b = max(quiet, start) - start, min(end, start + out.shape[1]) - start
        if a >= b:
            return
        fading = min(max(a, quiet - start + len(self._damping)), b)
        first = a + start - quiet
        out[:, a:fading] *= self._damping[first : first + fading - a]
        out[:, fading:b] = 0.0
