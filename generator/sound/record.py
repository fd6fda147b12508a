"""Play one note on a synthesiser and record it, from a clean voice until it has died away."""

from typing import TYPE_CHECKING

from generator.sound.notes import NoteKey
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["record_note", "record_onset", "touch_gain"]

_TAIL_CHUNK = 32 * BLOCK
_TAIL_FLOOR = 10 ** (-75 / 20)  # relative to the peak of the note
_SILENT = 1e-7
_HELD_CHUNK = 256
_LONGEST_TAIL_S = 30
_ONSET = 16 * BLOCK
_PURE = 1e-4  # greatest residual (-80 dB) for which a touch counts as a gain


def record_note(synth: Synth, key: NoteKey, rate_hz: int) -> "NDArray[np.float32]":
    """Play one note on a clean voice and return it from its onset until it has died away.

    A voice of FluidSynth keeps filter and gain state of the note that it played before. So the
    note (and what chokes it) is started once and killed, which leaves its own state behind, and
    then recorded.

    Returns
    -------
    array of float32, (2, frames)
        Only until the synthesiser records the next note.
    """
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
    floor = max(_SILENT, _TAIL_FLOOR * _height(tape.sound()))
    left = _LONGEST_TAIL_S * rate_hz
    while left > 0 and synth.voices:
        if _height(tape.roll(_TAIL_CHUNK)) < floor:
            tape.frames -= _TAIL_CHUNK
            break
        left -= _TAIL_CHUNK
    synth.silence()
    synth.render(BLOCK)
    return tape.sound()


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
