"""A standard MIDI file (format 0, 960 ticks a quarter) with markers and chord text, no notes.

Tempo, meter and key as in the map; a marker where a section starts; each chord symbol as a text
event on its written beat. Text is ASCII, since a MIDI file does not say which encoding it uses.
With a shift, tick 0 of the map lies later or earlier in the file, to the nearest tick; what holds
at a cut moves to its edge.
"""

import io
from dataclasses import replace
from typing import TYPE_CHECKING

from generator.chart.meter import Meter
from generator.chart.values import ValueFault, parse_meter
from generator.chordmap.export.clip import one_line
from generator.chordmap.reader import ChordMap
from generator.chordmap.records import MeterEntry
from generator.clock import TICKS_PER_QUARTER, Clock, TempoPoint, microseconds_per_quarter
from generator.errors import ChordMapError
from generator.midi import ascii_text, key_message, meter_message

if TYPE_CHECKING:
    from mido import MetaMessage

__all__ = ["write"]


def write(chord_map: ChordMap) -> dict[str, bytes]:
    """Return the `.markers.mid` file."""
    import mido

    clock = Clock(
        tuple(
            TempoPoint(tempo.tick, microseconds_per_quarter(tempo.quarter_bpm))
            for tempo in chord_map.tempos
        )
    )
    zero_s = chord_map.tempos[0].time_s
    if zero_s < 0:  # cut away: as many ticks as the tempos put there
        lead_ticks = -clock.tick(-zero_s)
    else:  # led in, at the first tempo
        lead_ticks = round(zero_s * 1e6 / clock.tempos[0].us_per_quarter * TICKS_PER_QUARTER)
    track = mido.MidiTrack(
        [mido.MetaMessage("track_name", name=ascii_text(one_line(chord_map.title)))]
    )
    now = 0
    for tick, message in _shifted(chord_map, clock, lead_ticks):
        message.time = tick - now
        track.append(message)
        now = tick
    end_tick = chord_map.bars[-1].end_tick + lead_ticks
    track.append(mido.MetaMessage("end_of_track", time=max(0, end_tick - now)))
    file = mido.MidiFile(type=0, ticks_per_beat=TICKS_PER_QUARTER, tracks=[track])
    buffer = io.BytesIO()
    file.save(file=buffer)
    return {".markers.mid": buffer.getvalue()}


def _shifted(chord_map: ChordMap, clock: Clock, lead_ticks: int) -> "list[tuple[int, MetaMessage]]":
    """Every event in order; of each sort before tick 0 only the last one stays, at tick 0."""
    kept = []
    for sort, events in enumerate(_events(chord_map, clock)):
        placed = [(tick + lead_ticks, sort, message) for tick, message in events]
        before = [event for event in placed if event[0] <= 0]
        if before:
            kept.append((0, sort, before[-1][2]))
        after = [event for event in placed if event[0] > 0]
        if sort == 0 and not before:  # a tempo must stand at the start
            after[0] = (0, 0, after[0][2])
        kept += after
    kept.sort(key=lambda event: event[:2])
    return [(tick, message) for tick, _, message in kept]


def _events(chord_map: ChordMap, clock: Clock) -> "list[list[tuple[int, MetaMessage]]]":
    """Tempos, meters, keys, markers and chords, each in order of their map ticks."""
    from mido import MetaMessage

    starts = {bar.number: bar.start_tick for bar in chord_map.bars}
    markers = [
        (starts[section.first_bar], MetaMessage("marker", text=ascii_text(one_line(section.label))))
        for section in chord_map.sections
        if section.label
    ]
    if chord_map.count_in.beats:
        markers.insert(0, (0, MetaMessage("marker", text="Count-in")))
    first_tick = chord_map.bars[0].start_tick  # the count-in is in the first meter and key
    return [
        [
            (point.tick, MetaMessage("set_tempo", tempo=point.us_per_quarter))
            for point in clock.tempos
        ],
        [
            (0 if meter.tick == first_tick else meter.tick, meter_message(_meter(meter.meter)))
            for meter in _meters(chord_map)
        ],
        [
            (
                0 if key.tick == first_tick else key.tick,
                key_message(key.fifths, key.key.rpartition(" ")[2]),
            )
            for key in chord_map.keys
        ],
        markers,
        [
            (
                chord.start_tick,
                MetaMessage(
                    "text", text="rest" if chord.kind == "rest" else ascii_text(chord.symbol)
                ),
            )
            for chord in chord_map.chords
        ],
    ]


def _meters(chord_map: ChordMap) -> list[MeterEntry]:
    """Meters, and the first one again after a pickup, since it starts the count of whole bars."""
    meters = list(chord_map.meters)
    bars = chord_map.bars
    if bars[0].number == 0 and len(bars) > 1 and bars[1].start_tick not in {m.tick for m in meters}:
        meters.insert(1, replace(meters[0], bar=1, tick=bars[1].start_tick))
    return meters


def _meter(text: str) -> Meter:
    try:
        return parse_meter(text)
    except ValueFault as fault:
        raise ChordMapError(f"meters: {fault.message}") from fault
