"""How loud each program of a font is, and the trim that brings it to one common level.

Fonts are levelled by taste: the same touch is 20 dB apart between programs. Each program plays a
reference phrase, its loudness is measured (BS.1770-4), and the trim is what is missing to
`COMMON_LUFS`; a plucked or struck program is held back where its peaks would pass -6 dBTP. The
mix then sets levels between players, not between fonts.
"""

import math
from typing import TYPE_CHECKING

from generator.sound.notes import NoteKey
from generator.sound.sf2 import PERCUSSION_BANK
from generator.sound.synth import BLOCK, Synth

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["COMMON_LUFS", "measure_trim"]

COMMON_LUFS = -20.0
"""Loudness of every reference phrase once it is trimmed."""

_RATE_HZ = 44_100
_GREATEST_DB = 30.0
_VELOCITY = 90
_BASS_PROGRAMS = range(32, 40)
_BASS_KEYS = (28, 33, 36, 40, 43, 45)
_KEYS = (52, 55, 59, 60, 64, 67)
# Struck and plucked programs are loudest in short notes, slow ones in long notes: both are played.
_NOTES_S = (0.4, 1.6)
_HIGHEST_PEAK_DBTP = -6.0
# Kick, snare and closed hat in eighths at 120 quarters a minute: (start in s, key, velocity).
_BEAT = tuple(
    (bar * 2.0 + start_s, key, velocity)
    for bar in range(2)
    for start_s, key, velocity in (
        *((eighth * 0.25, 42, 80) for eighth in range(8)),
        *((0.0, 36, 100), (1.0, 36, 96), (1.25, 36, 90)),
        *((0.5, 38, 100), (1.5, 38, 100)),
    )
)


def measure_trim(synth: Synth, bank: int, program: int) -> float:
    """Return the level change in dB that brings a preset to the common level, -30 to 30."""
    from generator.sound.loudness import measure

    drums = bank == PERCUSSION_BANK
    readings = [
        measure(_phrase(synth, bank, program, note_s), _RATE_HZ)
        for note_s in (_NOTES_S[:1] if drums else _NOTES_S)
    ]
    lufs, dbtp = (max(values) for values in zip(*readings, strict=True))
    if not math.isfinite(lufs):
        return 0.0
    trim_db: float = COMMON_LUFS - lufs
    if not drums:
        trim_db = min(trim_db, _HIGHEST_PEAK_DBTP - dbtp)
    return float(round(max(-_GREATEST_DB, min(_GREATEST_DB, trim_db)), 1))


def _phrase(synth: Synth, bank: int, program: int, note_s: float) -> "NDArray[np.float32]":
    import numpy as np

    from generator.sound.record import record_note

    if bank == PERCUSSION_BANK:
        events = [(start_s, key, velocity, 0.1) for start_s, key, velocity in _BEAT]
    else:
        keys = _BASS_KEYS if program in _BASS_PROGRAMS else _KEYS
        events = [(i * note_s, key, _VELOCITY, note_s) for i, key in enumerate(keys)]
    end = round((max(start for start, *_ in events) + 1.0) * _RATE_HZ)
    out = np.zeros((2, end), np.float32)
    made: dict[NoteKey, NDArray[np.float32]] = {}
    for start_s, key, velocity, length_s in events:
        blocks = round(length_s * _RATE_HZ / BLOCK)
        note = NoteKey(bank, program, key, velocity, blocks)
        if note not in made:
            made[note] = record_note(synth, note, _RATE_HZ).decoded()
        start = round(start_s * _RATE_HZ)
        sound = made[note][:, : end - start]
        out[:, start : start + sound.shape[1]] += sound
    return out
