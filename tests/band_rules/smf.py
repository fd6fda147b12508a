"""Read a Standard MIDI File (MIDI Association, "Standard MIDI Files 1.0", 1988): notes and tempos.

A reader of our own, so that the file is judged by other code than that which wrote it.
"""

from bisect import bisect_right
from dataclasses import dataclass

__all__ = ["Midi", "MidiNote", "MidiTrack", "read_midi"]

DATA_BYTES = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}


@dataclass(frozen=True, slots=True)
class MidiNote:
    """One note; times in ticks."""

    start: int
    end: int
    pitch: int
    velocity: int


@dataclass(frozen=True, slots=True)
class MidiTrack:
    """A track: its name, notes by onset, controllers as (tick, number, value), and what is left.

    `hanging` counts notes that are never let go, `restruck` those struck again while they sound.
    """

    name: str
    notes: tuple[MidiNote, ...]
    controls: tuple[tuple[int, int, int], ...]
    hanging: int
    restruck: int


@dataclass(frozen=True, slots=True)
class Midi:
    """A file; a tempo is (tick, microseconds a quarter, seconds), tracks are by name."""

    ticks_per_quarter: int
    tempos: tuple[tuple[int, int, float], ...]
    tracks: dict[str, MidiTrack]

    def seconds(self, tick: float) -> float:
        i = max(0, bisect_right(self.tempos, tick, key=lambda tempo: tempo[0]) - 1)
        start, us_per_quarter, start_s = self.tempos[i]
        return start_s + (tick - start) * us_per_quarter / self.ticks_per_quarter / 1e6

    def tick(self, time_s: float) -> float:
        i = max(0, bisect_right(self.tempos, time_s + 1e-9, key=lambda tempo: tempo[2]) - 1)
        start, us_per_quarter, start_s = self.tempos[i]
        return start + (time_s - start_s) * 1e6 * self.ticks_per_quarter / us_per_quarter

    def ms_per_tick(self, tick: float) -> float:
        i = max(0, bisect_right(self.tempos, tick, key=lambda tempo: tempo[0]) - 1)
        return self.tempos[i][1] / self.ticks_per_quarter / 1000


def read_midi(data: bytes) -> Midi:
    """Read a file of format 1."""
    assert data[:4] == b"MThd"
    ticks_per_quarter = int.from_bytes(data[12:14], "big")
    place = 8 + int.from_bytes(data[4:8], "big")
    tempos: list[tuple[int, int]] = []
    tracks: dict[str, MidiTrack] = {}
    while place < len(data):
        assert data[place : place + 4] == b"MTrk"
        length = int.from_bytes(data[place + 4 : place + 8], "big")
        track = _read_track(data, place + 8, place + 8 + length, tempos)
        if track.notes or track.name not in tracks:
            tracks[track.name] = track
        place += 8 + length
    timed, now_s = [], 0.0
    for i, (tick, us_per_quarter) in enumerate(tempos or [(0, 500_000)]):
        if i:
            before = timed[-1]
            now_s += (tick - before[0]) * before[1] / ticks_per_quarter / 1e6
        timed.append((tick, us_per_quarter, now_s))
    return Midi(ticks_per_quarter, tuple(timed), tracks)


def _number(data: bytes, place: int) -> tuple[int, int]:
    value = 0
    while True:
        byte = data[place]
        place += 1
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place


def _read_track(data: bytes, place: int, end: int, tempos: list[tuple[int, int]]) -> MidiTrack:
    name, now, status, restruck = "", 0, 0, 0
    notes: list[MidiNote] = []
    controls: list[tuple[int, int, int]] = []
    open_notes: dict[int, tuple[int, int]] = {}
    while place < end:
        delta, place = _number(data, place)
        now += delta
        if data[place] >= 0x80:
            status = data[place]
            place += 1
        if status == 0xFF:
            kind = data[place]
            length, place = _number(data, place + 1)
            body = data[place : place + length]
            place += length
            if kind == 0x03:
                name = body.decode("latin-1")
            elif kind == 0x51:
                tempos.append((now, int.from_bytes(body, "big")))
            continue
        if status in (0xF0, 0xF7):
            length, place = _number(data, place)
            place += length
            continue
        kind = status & 0xF0
        first = data[place]
        second = data[place + 1] if DATA_BYTES[kind] == 2 else 0
        place += DATA_BYTES[kind]
        if kind == 0x90 and second:
            restruck += first in open_notes
            open_notes[first] = (now, second)
        elif kind in (0x80, 0x90):
            if first in open_notes:
                start, velocity = open_notes.pop(first)
                notes.append(MidiNote(start, now, first, velocity))
        elif kind == 0xB0:
            controls.append((now, first, second))
    notes.sort(key=lambda note: (note.start, note.pitch))
    return MidiTrack(name, tuple(notes), tuple(controls), len(open_notes), restruck)
