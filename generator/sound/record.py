"""Play one note on a synthesiser and record it, from a clean voice until it has died away.

A voice of FluidSynth keeps filter and gain state of the note that it played before. So a note (and
what chokes it) is started once and killed, which leaves its own state behind, and then recorded.
"""

from typing import TYPE_CHECKING

from generator.errors import SynthError
from generator.sound import native
from generator.sound.notes import NoteKey
from generator.sound.preset import TOLD_BY, Generators
from generator.sound.recording import Recording
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["record_note", "record_onset", "touch_gain"]

_TAIL_FLOOR = 10 ** (-75 / 20)  # relative to the peak of the note
_SILENT = 1e-7
_LONGEST_TAIL_S = 30
_SPARE = 4096
_ONSET = 16 * BLOCK
_PURE = 1e-4  # greatest residual (-80 dB) for which a touch counts as a gain


def record_note(
    synth: Synth, key: NoteKey, rate_hz: int, kept: tuple[Generators, ...] = ()
) -> Recording:
    """Play one note and return it, or only those of its samples that have some `kept` generators.

    Raises
    ------
    SynthError
        If FluidSynth refuses to play.
    """
    channel = synth.channel_of(key.bank, key.program)
    held, choke = key.duration_blocks * BLOCK, key.choke_blocks * BLOCK
    tail = 0 if key.held else _LONGEST_TAIL_S * rate_hz
    tape = synth.tape(max(held, choke) + tail + _SPARE)
    frames, full_scale, same, scaled_by = native.record(
        synth.instrument,
        channel,
        key.pitch,
        key.velocity,
        held=held,
        choke_pitch=key.choke_pitch,
        choke=choke,
        tail_floor=_TAIL_FLOOR,
        silent=_SILENT,
        longest_tail=tail,
        generators=TOLD_BY,
        kept=kept,
        tape=tape,
    )
    if frames < 0:
        raise SynthError(f"FluidSynth refused to play note {key.pitch} on channel {channel}")
    return Recording.of(tape[:, :frames], full_scale=full_scale, same=same, scaled_by=scaled_by)


def record_onset(synth: Synth, key: NoteKey) -> "NDArray[np.float64]":
    """Play the first moments of a note on a clean voice; both sides one after the other."""
    import numpy as np

    channel = synth.channel_of(key.bank, key.program)
    tape = np.empty((2, _ONSET + BLOCK), np.float32)
    if not native.record_onset(synth.instrument, channel, key.pitch, key.velocity, _ONSET, tape):
        raise SynthError(f"FluidSynth refused to play note {key.pitch} on channel {channel}")
    return tape[:, :_ONSET].astype(np.float64).ravel()


def touch_gain(loud: "NDArray[np.float64]", soft: "NDArray[np.float64]") -> float | None:
    """Return the gain that makes the loud onset the soft one; None if there is more to it."""
    energy = float(loud @ loud)
    if energy == 0.0:
        return None
    gain = float(soft @ loud) / energy
    rest = soft - gain * loud
    return gain if float(rest @ rest) <= _PURE**2 * float(soft @ soft) else None
