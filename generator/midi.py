"""The arrangement as a standard MIDI file (format 1, 960 ticks a quarter).

Track 0 is the conductor: tempo, meter, key, section markers, and each chord symbol as a text event
on its written beat. Then comes one track a part, named as the part. All text is ASCII, since a
MIDI file does not say which encoding it uses.
"""

import struct
import unicodedata
from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING

from generator.band.arrangement import Arrangement, Part
from generator.chart.meter import Meter
from generator.clock import TICKS_PER_QUARTER
from generator.timeline.model import Timeline, TimelineChord

if TYPE_CHECKING:
    from mido import MetaMessage

__all__ = ["ascii_text", "key_message", "meter_message", "midi_bytes"]

_PLAIN = str.maketrans({"♭": "b", "♯": "#", "°": "o", "ø": "m7b5", "Δ": "maj7", "’": "'", "–": "-"})
# Signatures by the number of fifths, -7 to 7, as mido names them.
_MAJOR_NAMES = "Cb Gb Db Ab Eb Bb F C G D A E B F# C#".split()
_MINOR_NAMES = "Abm Ebm Bbm Fm Cm Gm Dm Am Em Bm F#m C#m G#m D#m A#m".split()
_MINOR_MODES = frozenset({"minor", "dorian", "phrygian", "aeolian", "locrian"})

# Kinds of events: Standard MIDI Files 1.0 (meta) and MIDI 1.0 (channel messages).
_TEXT, _TRACK_NAME, _MARKER, _END, _TEMPO, _METER, _KEY = 1, 3, 6, 0x2F, 0x51, 0x58, 0x59
_NOTE_OFF, _NOTE_ON, _CONTROLLER, _PROGRAM, _META = 0x80, 0x90, 0xB0, 0xC0, 0xFF
_MOST = 127

# At one tick a note must end before the next one starts, and a controller must stand before
# the note that it shapes.
_FIRST, _OFF, _CONTROL, _ON = range(4)
_Event = tuple[int, int, int, bytes]
"""Tick, rank and order within the tick, bytes of the message."""


def midi_bytes(arrangement: Arrangement, timeline: Timeline) -> bytes:
    """Return the whole file, byte for byte as mido would write the same messages.

    Written here, since mido checks every byte of every message: ten times the time.

    Parameters
    ----------
    arrangement : Arrangement
        The parts, in the order of the tracks.
    timeline : Timeline
        Where tempo, meters, keys, sections and chords come from.
    """
    tracks = [_track(_conductor_events(timeline), timeline.end_tick)]
    tracks += [_part_track(part, timeline.end_tick) for part in arrangement.parts]
    return _chunk(b"MThd", struct.pack(">HHH", 1, len(tracks), TICKS_PER_QUARTER)) + b"".join(
        tracks
    )


def _conductor_events(timeline: Timeline) -> list[_Event]:
    events = [(0, _meta(_TRACK_NAME, ascii_text(timeline.title).encode("ascii")))]
    for point in timeline.clock.tempos:
        events.append((point.tick, _meta(_TEMPO, point.us_per_quarter.to_bytes(3, "big"))))
    meter, key = None, None
    for bar in timeline.bars:
        if bar.meter != meter:
            meter = bar.meter
            events.append((bar.start_tick if bar.index else 0, _meta(_METER, _meter_data(meter))))
        if bar.key != key:
            key = bar.key
            minor = key.mode in _MINOR_MODES
            data = struct.pack("bB", key.fifths, minor)
            events.append((bar.start_tick if bar.index else 0, _meta(_KEY, data)))
    if timeline.count_in_ticks:
        events.append((0, _meta(_MARKER, b"Count-in")))
    for section in timeline.sections:
        if section.label:
            text = ascii_text(section.label).encode("ascii")
            events.append((section.start_tick, _meta(_MARKER, text)))
    for chord in timeline.chords:
        events.append((chord.start_tick, _meta(_TEXT, _chord_text(chord).encode("ascii"))))
    return [(tick, _FIRST, order, data) for order, (tick, data) in enumerate(events)]


@lru_cache(maxsize=4)  # the drums of a pack are the same part in every key
def _part_track(part: Part, end_tick: int) -> bytes:
    return _track(_part_events(part), end_tick)


def _part_events(part: Part) -> list[_Event]:
    channel = part.channel
    volume = max(0, min(127, round(100 * 10 ** (part.level_db / 40))))  # GM: gain is (v/127)^2
    controller = _CONTROLLER | channel
    setup = (
        _meta(_TRACK_NAME, part.name.encode("ascii")),
        _message(_PROGRAM | channel, part.program),
        _message(controller, 7, volume),
        _message(controller, 10, round(63.5 * (part.pan + 1))),
        _message(controller, 91, round(127 * part.reverb_send)),
    )
    events = [(0, _FIRST, order, data) for order, data in enumerate(setup)]
    for control in part.controls:
        data = _message(controller, control.number, control.value)
        events.append((control.tick, _CONTROL, control.number, data))
    note_on, note_off = _NOTE_ON | channel, _NOTE_OFF | channel
    # All starts, then all ends: two lists that are all but in order are soon sorted.
    events += [
        (tick, _ON, pitch, _message(note_on, pitch, velocity))
        for tick, _, pitch, velocity in part.notes
    ]
    events += [
        (tick, _OFF, pitch, _message(note_off, pitch, 0)) for _, tick, pitch, _ in part.notes
    ]
    return events


def _track(events: list[_Event], end_tick: int) -> bytes:
    pieces, now, status = list[bytes](), 0, _META
    for tick, _, _, data in sorted(events, key=itemgetter(0, 1, 2)):
        kind = data[0]
        # Running status: a channel message drops its first byte when that is the last one's too.
        repeated = kind == status != _META
        pieces.append(_length(tick - now))
        pieces.append(data[1:] if repeated else data)
        now, status = tick, kind
    pieces += (_length(max(0, end_tick - now)), _meta(_END, b""))
    return _chunk(b"MTrk", b"".join(pieces))


@lru_cache(maxsize=8192)
def _message(*numbers: int) -> bytes:
    """Return a channel message; few are distinct in a long track."""
    if max(numbers[1:]) > _MOST:
        raise ValueError(f"a channel message holds a number above 127: {numbers}")
    return bytes(numbers)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack(">I", len(data)) + data


def _meta(kind: int, data: bytes) -> bytes:
    return bytes((_META, kind)) + _length(len(data)) + data


@lru_cache(maxsize=4096)
def _length(number: int) -> bytes:
    """Return a variable-length quantity: seven bits a byte, all but the last one marked.

    >>> [_length(number).hex() for number in (0, 127, 128, 0x0FFFFFFF)]
    ['00', '7f', '8100', 'ffffff7f']
    """
    if number < 0:
        raise ValueError(f"events out of order: {number} ticks from one to the next")
    if number < 0x80:
        return bytes((number,))
    data = [number & 0x7F]
    while number := number >> 7:
        data.append(number & 0x7F | 0x80)
    return bytes(reversed(data))


def _meter_data(meter: Meter) -> bytes:
    return bytes((meter.numerator, meter.denominator.bit_length() - 1, _click_clocks(meter), 8))


def _click_clocks(meter: Meter) -> int:
    return min(255, round(24 * meter.beat_lengths[0]))  # MIDI clocks between clicks, 24 a quarter


def meter_message(meter: Meter) -> "MetaMessage":
    """Return the time signature, a metronome click on each first beat length."""
    from mido import MetaMessage

    return MetaMessage(
        "time_signature",
        numerator=meter.numerator,
        denominator=meter.denominator,
        clocks_per_click=_click_clocks(meter),
        notated_32nd_notes_per_beat=8,
    )


def key_message(fifths: int, mode: str) -> "MetaMessage":
    """Return the key signature; a mode counts as minor when its third is minor."""
    from mido import MetaMessage

    names = _MINOR_NAMES if mode in _MINOR_MODES else _MAJOR_NAMES
    return MetaMessage("key_signature", key=names[fifths + 7])


def _chord_text(chord: TimelineChord) -> str:
    if chord.chord is not None:
        return ascii_text(chord.chord.symbol)
    return "N.C." if chord.kind == "no-chord" else "rest"


def ascii_text(text: str) -> str:
    """Return text in ASCII: musical signs by their plain names, accents dropped, the rest `?`."""
    plain = unicodedata.normalize("NFKD", text.translate(_PLAIN))
    kept = (c for c in plain if not unicodedata.combining(c))
    return "".join(c if " " <= c <= "~" else "?" for c in kept)
