"""The arrangement as a standard MIDI file (format 1, 960 ticks a quarter).

Track 0 is the conductor: tempo, meter, key, section markers, and each chord symbol as a text event
on its written beat. Then comes one track a part, named as the part. All text is ASCII, since a
MIDI file does not say which encoding it uses.
"""

import io
import unicodedata
from typing import TYPE_CHECKING, Any

from generator.band.arrangement import Arrangement, Part
from generator.chart.meter import Meter
from generator.clock import TICKS_PER_QUARTER
from generator.timeline.model import Timeline, TimelineChord

if TYPE_CHECKING:
    from mido import MetaMessage, MidiTrack

__all__ = ["ascii_text", "key_message", "meter_message", "midi_bytes"]

_PLAIN = str.maketrans({"♭": "b", "♯": "#", "°": "o", "ø": "m7b5", "Δ": "maj7", "’": "'", "–": "-"})
# Signatures by the number of fifths, -7 to 7, as mido names them.
_MAJOR_NAMES = "Cb Gb Db Ab Eb Bb F C G D A E B F# C#".split()
_MINOR_NAMES = "Abm Ebm Bbm Fm Cm Gm Dm Am Em Bm F#m C#m G#m D#m A#m".split()
_MINOR_MODES = frozenset({"minor", "dorian", "phrygian", "aeolian", "locrian"})

# At one tick a note must end before the next one starts, and a controller must stand before
# the note that it shapes.
_META, _OFF, _CONTROL, _ON = range(4)
_Event = tuple[int, int, int, Any]


def midi_bytes(arrangement: Arrangement, timeline: Timeline) -> bytes:
    """Return the whole file.

    Parameters
    ----------
    arrangement : Arrangement
        The parts, in the order of the tracks.
    timeline : Timeline
        Where tempo, meters, keys, sections and chords come from.
    """
    import mido

    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    file.tracks.append(_track(_conductor_events(timeline), timeline.end_tick))
    for part in arrangement.parts:
        file.tracks.append(_track(_part_events(part), timeline.end_tick))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _conductor_events(timeline: Timeline) -> list[_Event]:
    from mido import MetaMessage

    events: list[tuple[int, MetaMessage]] = [
        (0, MetaMessage("track_name", name=ascii_text(timeline.title))),
    ]
    for point in timeline.clock.tempos:
        events.append((point.tick, MetaMessage("set_tempo", tempo=point.us_per_quarter)))
    meter, key = None, None
    for bar in timeline.bars:
        if bar.meter != meter:
            meter = bar.meter
            events.append((bar.start_tick if bar.index else 0, meter_message(meter)))
        if bar.key != key:
            key = bar.key
            events.append((bar.start_tick if bar.index else 0, key_message(key.fifths, key.mode)))
    if timeline.count_in_ticks:
        events.append((0, MetaMessage("marker", text="Count-in")))
    for section in timeline.sections:
        if section.label:
            events.append(
                (section.start_tick, MetaMessage("marker", text=ascii_text(section.label)))
            )
    for chord in timeline.chords:
        events.append((chord.start_tick, MetaMessage("text", text=_chord_text(chord))))
    return [(tick, _META, order, message) for order, (tick, message) in enumerate(events)]


def _part_events(part: Part) -> list[_Event]:
    from mido import Message, MetaMessage

    channel = part.channel
    volume = max(0, min(127, round(100 * 10 ** (part.level_db / 40))))  # GM: gain is (v/127)^2
    setup = [
        MetaMessage("track_name", name=part.name),
        Message("program_change", channel=channel, program=part.program),
        Message("control_change", channel=channel, control=7, value=volume),
        Message("control_change", channel=channel, control=10, value=round(63.5 * (part.pan + 1))),
        Message("control_change", channel=channel, control=91, value=round(127 * part.reverb_send)),
    ]
    events: list[_Event] = [(0, _META, order, message) for order, message in enumerate(setup)]
    for control in part.controls:
        message = Message(
            "control_change", channel=channel, control=control.number, value=control.value
        )
        events.append((control.tick, _CONTROL, control.number, message))
    for note in part.notes:
        on = Message("note_on", channel=channel, note=note.pitch, velocity=note.velocity)
        off = Message("note_off", channel=channel, note=note.pitch, velocity=0)
        events.append((note.start_tick, _ON, note.pitch, on))
        events.append((note.end_tick, _OFF, note.pitch, off))
    return events


def _track(events: list[_Event], end_tick: int) -> "MidiTrack":
    from mido import MetaMessage, MidiTrack

    track, now = MidiTrack(), 0
    for tick, _, _, message in sorted(events, key=lambda event: event[:3]):
        message.time = tick - now
        track.append(message)
        now = tick
    track.append(MetaMessage("end_of_track", time=max(0, end_tick - now)))
    return track


def meter_message(meter: Meter) -> "MetaMessage":
    """Return the time signature, a metronome click on each first beat length."""
    from mido import MetaMessage

    clocks = round(24 * meter.beat_lengths[0])  # MIDI clocks between clicks, 24 a quarter
    return MetaMessage(
        "time_signature",
        numerator=meter.numerator,
        denominator=meter.denominator,
        clocks_per_click=min(255, clocks),
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
