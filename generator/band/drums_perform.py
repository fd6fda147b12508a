"""How written strokes become notes: feel, length, and the choking of what rings."""

from bisect import bisect_left, bisect_right

from generator.band.arrangement import Control, Note, Part
from generator.band.cues import read_cues
from generator.band.drums_spec import lane_key
from generator.band.drums_stroke import Stroke
from generator.band.feel import Groove
from generator.band.style import Style
from generator.clock import TICKS_PER_QUARTER
from generator.timeline.model import Timeline

__all__ = ["ALL_SOUND_OFF", "perform"]

CHANNEL = 9
ALL_SOUND_OFF = 120
"""Controller number that ends every sound of a channel (MIDI 1.0, channel mode messages)."""

HATS = ("hat", "pedal-hat", "open-hat")
LENGTH_QUARTERS = {
    "crash": 4, "crash-2": 4, "china": 2, "splash": 2, "ride": 1, "bell": 1, "open-hat": 2,
    "floor-tom": 1, "low-tom": 1, "mid-tom": 1, "high-tom": 1, "triangle": 1,
}  # fmt: skip
"""Written length of what rings. It sounds on after that, as drums do, until it is choked."""

LONGEST_RING_MS = 5000
SHORT_TICKS = TICKS_PER_QUARTER // 8
VOICES = {
    "kick": "kick", "snare": "snare", "hat": "hat", "ride": "ride", "crash": "crash",
    "side-stick": "snare", "sweep": "snare", "clap": "snare", "pedal-hat": "hat",
    "open-hat": "hat", "bell": "ride", "crash-2": "crash", "china": "crash", "splash": "crash",
    "floor-tom": "tom", "low-tom": "tom", "mid-tom": "tom", "high-tom": "tom",
}  # fmt: skip


def perform(timeline: Timeline, style: Style, strokes: tuple[Stroke, ...], groove: Groove) -> Part:
    """Give strokes on the grid their feel, length and key."""
    spec = style.drums
    placed: list[tuple[int, Stroke]] = []
    by_key: dict[int, list[tuple[int, Stroke]]] = {}
    for stroke in strokes:
        tick, lane, _ = stroke
        if tick >= timeline.first_tick:  # the count-in has no feel
            tick = groove.strike(VOICES.get(lane, "percussion"), tick)
        placed.append((tick, stroke))
        by_key.setdefault(lane_key(lane), []).append((tick, stroke))
    hat_ticks = sorted(tick for tick, stroke in placed if stroke.lane in HATS)
    notes = []
    for key, struck in by_key.items():
        struck.sort()
        for i, (start, stroke) in enumerate(struck):
            end = start + (LENGTH_QUARTERS.get(stroke.lane, 0) * TICKS_PER_QUARTER or SHORT_TICKS)
            if i + 1 < len(struck):
                end = min(end, struck[i + 1][0])
            if stroke.lane == "open-hat":  # the next hat closes it
                later = bisect_right(hat_ticks, start)
                end = min(end, hat_ticks[later]) if later < len(hat_ticks) else end
            notes.append(Note(start, max(start + 1, end), key, stroke.velocity))
    notes.sort()
    stops = [groove.warp(start) for start, _ in read_cues(timeline, ending=style.ending).silences()]
    rings = sorted(tick for tick, stroke in placed if stroke.lane in LENGTH_QUARTERS)
    controls = []
    for stop in stops:
        i = bisect_left(rings, stop) - 1
        if i >= 0 and stop - rings[i] < groove.ticks_of_ms(LONGEST_RING_MS, stop):
            controls.append(Control(stop, ALL_SOUND_OFF, 0))
    return Part(
        "drums",
        CHANNEL,
        spec.program,
        tuple(_ended_by(stops, note) for note in notes) if stops else tuple(notes),
        tuple(controls),
        spec.level_db,
        spec.pan,
        spec.reverb_send,
    )


def _ended_by(stops: list[int], note: Note) -> Note:
    """End a note that would ring into a silence where the silence begins."""
    i = bisect_right(stops, note.start_tick)
    if i == len(stops) or stops[i] >= note.end_tick:
        return note
    return Note(note.start_tick, stops[i], note.pitch, note.velocity)
