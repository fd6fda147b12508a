"""What the band plays: notes per part, ready for a MIDI file or a synthesiser."""

from array import array
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from typing import Any, NamedTuple, overload

from generator.record import record

__all__ = ["PART_NAMES", "Arrangement", "Control", "Cycle", "Note", "PackedNotes", "Part"]

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


class PackedNotes(Sequence[Note]):
    """Notes as plain numbers, four a note: a tenth of the memory, and half the time to pickle.

    Each note is made anew when it is asked for.
    """

    __slots__ = ("_numbers",)

    def __init__(self, numbers: "array[int]") -> None:
        self._numbers = numbers

    def __reduce__(self) -> tuple[type["PackedNotes"], tuple["array[int]"]]:
        return PackedNotes, (self._numbers,)

    def __len__(self) -> int:
        return len(self._numbers) // 4

    def __iter__(self) -> Iterator[Note]:
        each = iter(self._numbers)
        return map(Note._make, zip(each, each, each, each, strict=True))

    def __reversed__(self) -> Iterator[Note]:
        return reversed(tuple(self))

    @overload
    def __getitem__(self, place: int) -> Note: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Note, ...]: ...
    def __getitem__(self, place: int | slice) -> Note | tuple[Note, ...]:
        return tuple(self)[place]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    def __hash__(self) -> int:
        return hash(tuple(self))


class Control(NamedTuple):
    """A controller change; `value` 0 to 127.

    Only two are used: expression (11), and all sound off (120), with which the drums choke what
    rings where the band stops.
    """

    tick: int
    number: int
    value: int


@record
class Part:
    """One player.

    `program` counts from 0 (General MIDI); `channel` is 9 for drums. `level_db`, `pan` (-1 left
    to 1 right) and `reverb_send` (0 to 1) are for the mix; notes and controls are sorted.
    """

    name: str
    channel: int
    program: int
    notes: Sequence[Note]
    controls: tuple[Control, ...] = ()
    level_db: float = 0.0
    pan: float = 0.0
    reverb_send: float = 0.0

    def __hash__(self) -> int:
        """Tell parts apart without a look at every note."""
        return hash((self.name, self.program, len(self.notes)))

    def __reduce__(self) -> tuple[Callable[..., "Part"], tuple[Any, ...]]:
        """Pickle the notes packed, and leave them so: a second process asks for them once."""
        notes = self.notes
        if not isinstance(notes, PackedNotes):
            notes = PackedNotes(array("i", chain.from_iterable(notes)))
        more = self.controls, self.level_db, self.pan, self.reverb_send
        return Part, (self.name, self.channel, self.program, notes, *more)


class Cycle(NamedTuple):
    """What starts from `start_tick` on and before `end_tick` is played `times` times in a row.

    The band does the same each time, at one tempo.
    """

    start_tick: int
    end_tick: int
    times: int


@record
class Arrangement:
    """The whole band.

    `remarks` tell the user what was decided for them. `parts` hold every note of the track; in a
    long one `cycle` says which of them come again and again.
    """

    style: str
    seed: int
    parts: tuple[Part, ...]
    remarks: tuple[str, ...] = ()
    cycle: Cycle | None = None
