"""Which recordings a part needs, and at which sample each of them is placed.

A practice track repeats: few distinct notes, struck often. `plan_part` turns the notes of a part
into `Placement`s that share `NoteKey`s. Two rules of a synthesiser reach across notes and are
settled here, so that every recording stands on its own:

* a key that is struck again is let go first;
* keys of one exclusive class choke one another (SoundFont 2.04, section 8.1.2, generator 57):
  a closed hat ends an open one. The delay until the choke is part of the key.
"""

from bisect import bisect_right
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

from generator.band.arrangement import Part
from generator.clock import Clock
from generator.sound.sf2 import PERCUSSION_BANK, FontTables
from generator.sound.synth import BLOCK, DRUM_CHANNEL

__all__ = ["HELD_BLOCKS", "NoteKey", "Placement", "plan_part", "preset_of"]

_FINE, _MIDDLE, _COARSE = 4, 16, 32  # steps of a note's length in blocks, see `plan_part`
_LONGEST_CHOKE_BLOCKS = 44_100 * 12 // BLOCK

HELD_BLOCKS = tuple(blocks << n for n in range(7, 20) for blocks in (2, 3))
"""For how long keys are held, 0.37 s and up: the next of these, so that tracks of a pack share."""


class NoteKey(NamedTuple):
    """All that decides how a note sounds, in blocks of 64 samples where it is a time.

    `choke_blocks` is the delay after which `choke_pitch` ends the note, 0 for never. `held` is 0
    but for what no part asks for: a key that is held for the whole of the duration and then cut
    off, of which only the samples sound that follow the first of its envelopes, or the second.
    A named tuple, since keys are looked up tens of thousands of times.
    """

    bank: int
    program: int
    pitch: int
    velocity: int
    duration_blocks: int
    choke_blocks: int = 0
    choke_pitch: int = 0
    held: int = 0

    @property
    def ends_blocks(self) -> int:
        """When it is let go or choked, whichever comes first."""
        return min(self.duration_blocks, self.choke_blocks or self.duration_blocks)


class Placement(NamedTuple):
    """A recording that starts at a sample; `cut_sample` is where it is damped, or None."""

    start_sample: int
    key: NoteKey
    cut_sample: int | None = None


def preset_of(part: Part) -> tuple[int, int]:
    """Return (bank, program) of a part: General MIDI drums live in bank 128."""
    return (PERCUSSION_BANK if part.channel == DRUM_CHANNEL else 0, part.program)


@lru_cache(maxsize=4)  # the drums of a pack are the same part in every key
def plan_part(
    part: Part,
    clock: Clock,
    font: FontTables,
    rate_hz: int,
    silences: tuple[tuple[int, int], ...] = (),
) -> tuple[Placement, ...]:
    """Return the placements of a part, in order of time.

    Ends are rounded to steps of 4 blocks (so off by 2.9 ms at most at 44.1 kHz) on notes below a
    third of a second, of 16 blocks (11.6 ms) below one and a half, of 32 (23 ms) above: less than
    an ear notices of a release, and notes that feel has moved apart by a hair share a recording.
    Starts are exact to the sample.
    """
    bank, program = preset_of(part)
    classes: Mapping[int, int] = font.preset(bank, program).chokes
    notes = tuple(part.notes)
    starts = clock.samples_of((note.start_tick for note in notes), rate_hz)
    ends = clock.samples_of((note.end_tick for note in notes), rate_hz)
    silence_ticks = [start_tick for start_tick, _ in silences]
    cuts = [*clock.samples_of(silence_ticks, rate_hz), None]
    next_of_pitch: dict[int, int] = {}
    next_of_class: dict[int, tuple[int, int]] = {}
    placements = []
    # Equal keys are one object: a long track has few.
    keys: dict[tuple[int, int, int, int, int], NoteKey] = {}
    for note, start, end in zip(reversed(notes), reversed(starts), reversed(ends), strict=True):
        start_tick, _, pitch, velocity = note
        start = max(0, start)
        again = next_of_pitch.get(pitch)
        if again is not None and start < again < end:
            end = again
        next_of_pitch[pitch] = start
        choke_blocks = choke_pitch = 0
        exclusive = classes.get(pitch)
        if exclusive is not None:
            choker = next_of_class.get(exclusive)
            if choker is not None:
                choke_blocks = round((choker[0] - start) / BLOCK)
                choke_pitch = choker[1]
            next_of_class[exclusive] = (start, pitch)
            if choke_blocks > _LONGEST_CHOKE_BLOCKS:
                choke_blocks = choke_pitch = 0
        sounds = (pitch, velocity, _rounded_blocks(end - start), choke_blocks, choke_pitch)
        key = keys.get(sounds)
        if key is None:
            key = keys[sounds] = NoteKey(bank, program, *sounds)
        cut = cuts[bisect_right(silence_ticks, start_tick)] if silence_ticks else None
        placements.append(Placement(start, key, cut))
    placements.reverse()
    return tuple(placements)


@lru_cache(maxsize=8192)
def _rounded_blocks(samples: int) -> int:
    blocks = max(1, round(samples / BLOCK))
    step = _FINE if blocks < 256 else _MIDDLE if blocks < 1024 else _COARSE
    return max(1, step * round(blocks / step))
