"""What the band plays: notes per part, ready for a MIDI file or a synthesiser."""

from array import array
from collections.abc import Callable
from dataclasses import dataclass
from itertools import chain
from typing import Any, NamedTuple

__all__ = ["PART_NAMES", "Arrangement", "Control", "Note", "Part"]

PART_NAMES = ("drums", "bass", "pad", "comp")
"""Every part that a band may have; also the track names in the MIDI file and the stem names."""


class Note(NamedTuple):
    """One struck note. There are thousands in a track: a tuple is quickly made and sorted.

    `start_tick` and `end_tick` are where it sounds, feel included; `pitch` is a MIDI key (0 to
    127; a General MIDI percussion key on drums); `velocity` 1 to 127.
    """

    start_tick: int
    end_tick: int
    pitch: int
    velocity: int


class Control(NamedTuple):
    """A controller change; `value` 0 to 127.

    Only two are used: expression (11), and all sound off (120), with which the drums choke what
    rings where the band stops.
    """

    tick: int
    number: int
    value: int


@dataclass(frozen=True, slots=True)
class Part:
    """One player.

    `program` counts from 0 (General MIDI); `channel` is 9 for drums. `level_db`, `pan` (-1 left
    to 1 right) and `reverb_send` (0 to 1) are for the mix; notes and controls are sorted.
    """

    name: str
    channel: int
    program: int
    notes: tuple[Note, ...]
    controls: tuple[Control, ...] = ()
    level_db: float = 0.0
    pan: float = 0.0
    reverb_send: float = 0.0

    def __reduce__(self) -> tuple[Callable[..., "Part"], tuple[Any, ...]]:
        """Pickle the notes as plain numbers: from process to process in half the time."""
        numbers = array("i", chain.from_iterable(self.notes))
        more = self.controls, self.level_db, self.pan, self.reverb_send
        return _part_of, (self.name, self.channel, self.program, numbers, *more)


def _part_of(name: str, channel: int, program: int, numbers: "array[int]", *more: Any) -> Part:
    each = iter(numbers)
    notes = tuple(map(Note._make, zip(each, each, each, each, strict=True)))
    return Part(name, channel, program, notes, *more)


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The whole band. `remarks` tell the user what was decided for them."""

    style: str
    seed: int
    parts: tuple[Part, ...]
    remarks: tuple[str, ...] = ()
