"""How written strokes become notes: feel, length, and the choking of what rings."""

from bisect import bisect_right

from generator.band.arrangement import Control, Note, Part
from generator.band.cues import read_cues
from generator.band.drums_spec import lane_key
from generator.band.drums_stroke import Stroke
from generator.band.style import Style
from generator.clock import TICKS_PER_QUARTER
from generator.timeline.model import Timeline

__all__ = ["ALL_SOUND_OFF", "perform"]

CHANNEL = 9
ALL_SOUND_OFF = 120
"""Controller number that ends every sound of a channel (MIDI 1.0, channel mode messages)."""

HATS = ("hat", "pedal-hat", "open-hat")
RING_QUARTERS = {
    "crash": 8, "crash-2": 8, "china": 4, "splash": 3, "ride": 4, "bell": 4, "open-hat": 4,
    "floor-tom": 2, "low-tom": 2, "mid-tom": 2, "high-tom": 2, "triangle": 2,
}  # fmt: skip
SHORT_TICKS = TICKS_PER_QUARTER // 8
VOICES = {
    "kick": "kick", "snare": "snare", "hat": "hat", "ride": "ride", "crash": "crash",
    "side-stick": "snare", "sweep": "snare", "clap": "snare", "pedal-hat": "hat",
    "open-hat": "hat", "bell": "ride", "crash-2": "crash", "china": "crash", "splash": "crash",
    "floor-tom": "tom", "low-tom": "tom", "mid-tom": "tom", "high-tom": "tom",
}  # fmt: skip


def perform(timeline: Timeline, style: Style, strokes: tuple[Stroke, ...], *, seed: int) -> Part:
    """Give strokes on the grid their feel, length and key."""
    groove = style.groove(timeline, seed)
    spec = style.drums
    placed: list[tuple[int, Stroke]] = []
    for stroke in strokes:
        counted = stroke.tick < timeline.first_tick
        tick = (
            stroke.tick
            if counted
            else groove.strike(VOICES.get(stroke.lane, "percussion"), stroke.tick)
        )
        placed.append((tick, stroke))
    hat_ticks = sorted(tick for tick, stroke in placed if stroke.lane in HATS)
    by_key: dict[int, list[tuple[int, Stroke]]] = {}
    for tick, stroke in placed:
        by_key.setdefault(lane_key(stroke.lane), []).append((tick, stroke))
    notes = []
    for key, struck in by_key.items():
        struck.sort()
        for i, (start, stroke) in enumerate(struck):
            end = start + (RING_QUARTERS.get(stroke.lane, 0) * TICKS_PER_QUARTER or SHORT_TICKS)
            if i + 1 < len(struck):
                end = min(end, struck[i + 1][0])
            if stroke.lane == "open-hat":  # the next hat closes it
                later = bisect_right(hat_ticks, start)
                end = min(end, hat_ticks[later]) if later < len(hat_ticks) else end
            notes.append(Note(start, max(start + 1, end), key, stroke.velocity))
    stops = [groove.warp(start) for start, _ in read_cues(timeline, ending=style.ending).silences()]
    notes, controls = _choke(sorted(notes), stops)
    return Part(
        "drums", CHANNEL, spec.program, tuple(notes), tuple(controls),
        spec.level_db, spec.pan, spec.reverb_send,
    )  # fmt: skip


def _choke(notes: list[Note], stops: list[int]) -> tuple[list[Note], list[Control]]:
    """End what rings where the band stops, and say so with a control that every synth obeys."""
    controls, choked = [], []
    for note in notes:
        i = bisect_right(stops, note.start_tick)
        if i < len(stops) and stops[i] < note.end_tick:
            note = Note(note.start_tick, stops[i], note.pitch, note.velocity)
        choked.append(note)
    ring_end = 0
    starts = [note.start_tick for note in notes]
    before = 0
    for stop in stops:
        after = bisect_right(starts, stop)
        ring_end = max([ring_end, *(note.end_tick for note in notes[before:after])])
        if ring_end > stop:
            controls.append(Control(stop, ALL_SOUND_OFF, 0))
        before = after
    return choked, controls
