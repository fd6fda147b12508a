"""Rules 1 to 11: what bass, pad and comp play against the chords of the map."""

from bisect import bisect_left
from collections.abc import Iterable
from itertools import combinations, pairwise

from band_rules.smf import MidiNote
from band_rules.take import VOICES, Harmony, Take

__all__ = ["measure_band", "measure_bass", "measure_pad"]

Samples = dict[str, list[float]]

RESOLUTIONS = (1, 2, 5, 7)
KIT = {key for keys in VOICES.values() for key in keys} - {39}
SETTLED_MS = 60.0
"""A voicing is read so long after its first note: by then every voice has come in."""


def measure_bass(take: Take) -> Samples:
    """Rules 1 to 4."""
    notes = take.bass
    found: Samples = {"first": [], "resolved": [], "keys": [], "leaps": [], "overlaps": []}
    starts = [note.start for note in notes]
    for chord in take.harmonies:
        if chord.kind != "chord" or not notes:
            continue
        i = bisect_left(starts, chord.start - take.reach(chord.start))
        inside = i < len(notes) and starts[i] < chord.end - take.reach(chord.end)
        found["first"].append(float(inside and notes[i].pitch % 12 == chord.bass))
    for note, after in pairwise(notes):
        if note.pitch % 12 == after.pitch % 12:
            continue  # the same note again, or its octave, is no motion
        chord = take.chord_at(note.start + take.reach(note.start))
        if chord.kind == "chord" and note.pitch % 12 not in chord.tones | {chord.bass}:
            found["resolved"].append(float(abs(after.pitch - note.pitch) in RESOLUTIONS))
    found["keys"] = [float(note.pitch) for note in notes]
    found["leaps"] = [float(abs(b.pitch - a.pitch) > 12) for a, b in pairwise(notes)]
    found["overlaps"] = [float(a.end > b.start) for a, b in pairwise(notes)]
    return {f"bass {key}": values for key, values in found.items()}


def measure_pad(take: Take) -> Samples:
    """Rules 5 to 10."""
    found: Samples = {
        "moves": [], "jumps": [], "in register": [], "top": [], "lowest": [], "clash": [],
        "guides": [], "late": [], "voices": [], "strikes a bar": [],
    }  # fmt: skip
    voicings = [(chord, _voicing(take, chord)) for chord in take.harmonies]
    for (chord, before), (after_chord, after) in pairwise(voicings):
        if before and after and chord.kind == after_chord.kind == "chord":
            moves = _moves(before, after)
            found["moves"] += [float(abs(move)) for move in moves]
            found["jumps"] += [float(abs(move) > 5) for move in moves]
    for chord, voicing in voicings:
        if not voicing or chord.kind != "chord":
            continue
        found["top"].append(float(voicing[-1] <= 72))
        found["lowest"].append(float(voicing[0]))
        found["in register"] += [float(52 <= pitch <= 72) for pitch in voicing]
        found["clash"].append(float(any(b - a == 1 and a < 60 for a, b in pairwise(voicing))))
        classes = {pitch % 12 for pitch in voicing}
        found["guides"].append(float(_guides(chord) <= classes))
        found["voices"].append(float(len(voicing)))
    found["late"] = _late(take, take.pad)
    for bar in take.bars:
        strikes = {n.start // 240 for n in take.pad if bar.start <= n.start < bar.end}
        found["strikes a bar"].append(float(len(strikes)))
    return {f"pad {key}": values for key, values in found.items()}


def measure_band(take: Take) -> Samples:
    """Rules 8, 10 and 11 for the whole band, and where comp and pad get into each other's way."""
    found: Samples = {
        "pitched clash": [], "comp late": [], "pitched at once": [], "strokes at once": [],
        "comp on pad": [], "over ten": [],
    }  # fmt: skip
    kit = [note for note in take.drums if note.pitch in KIT]  # claps and shakers are other hands
    pitched = (*take.bass, *take.pad, *take.comp)
    found["pitched at once"] = [max(_at_once(take, pitched), default=0)]
    found["strokes at once"] = [max(_at_once(take, kit, kit), default=0)]
    found["over ten"] = [
        float(count > 10) for count in _at_once(take, (*pitched, *take.drums), take.drums)
    ]
    found["comp late"] = _late(take, take.comp)
    found["comp to C5"] = [float(note.pitch <= 72) for note in take.comp]
    pad = take.pad
    starts = [note.start for note in pad]
    longest = max((note.end - note.start for note in pad), default=0)
    for note in take.comp:
        near = pad[bisect_left(starts, note.start - longest) : bisect_left(starts, note.end)]
        sounding = [n for n in near if min(n.end, note.end) - max(n.start, note.start) > 240]
        found["comp on pad"].append(float(any(n.pitch == note.pitch for n in sounding)))
        clash = any(abs(n.pitch - note.pitch) == 1 and min(n.pitch, note.pitch) < 60
                    for n in sounding)  # fmt: skip
        found["pitched clash"].append(float(clash))
    return {f"band {key}": values for key, values in found.items()}


def _voicing(take: Take, chord: Harmony) -> tuple[int, ...]:
    """Return the keys of the pad that belong to a chord, lowest first."""
    start = chord.start - take.reach(chord.start)
    struck = [n for n in take.pad if start <= n.start < chord.end - take.reach(chord.end)]
    if not struck:
        return ()
    settled = min(n.start for n in struck) + SETTLED_MS / take.midi.ms_per_tick(chord.start)
    first = min(n.start for n in struck)
    held = [n for n in take.pad if n.start < start and n.end > max(settled, chord.start)]
    opening = [n for n in struck if n.start <= max(settled, first)]
    return tuple(sorted({n.pitch for n in (*held, *opening)}))


def _moves(before: tuple[int, ...], after: tuple[int, ...]) -> list[int]:
    """Return how far each voice moves; of unequal voicings the voices that move least go on."""
    fewer = min(len(before), len(after))
    return min(
        (
            [b - a for a, b in zip(some, others, strict=True)]
            for some in combinations(before, fewer)
            for others in combinations(after, fewer)
        ),
        key=lambda moves: sum(map(abs, moves)),
    )


def _guides(chord: Harmony) -> set[int]:
    """Return what a voicing must hold: third or suspension, and seventh; not what the bass has."""
    third = next(
        (chord.degrees[d] for d in ("3", "b3", "4", "2", "11") if d in chord.degrees), None
    )
    seventh = next((chord.degrees[d] for d in ("7", "b7", "bb7") if d in chord.degrees), None)
    return {tone for tone in (third, seventh) if tone not in (None, chord.bass)}


def _late(take: Take, notes: tuple[MidiNote, ...]) -> list[float]:
    """Return by how many ms each note foreign to a new chord sounds past the change."""
    late: list[float] = []
    for chord in take.harmonies[1:]:
        allowed = chord.tones if chord.kind == "chord" else frozenset()
        worst = 0.0
        for note in notes:
            if note.start > chord.start:
                break
            before = note.start < chord.start - take.reach(chord.start)
            if before and note.end > chord.start and note.pitch % 12 not in allowed:
                worst = max(worst, take.ms(chord.start, note.end))
        if notes:
            late.append(worst)
    return late


def _at_once(take: Take, notes: Iterable[MidiNote], struck: Iterable[MidiNote] = ()) -> list[float]:
    """Return how many notes sound at each change; what is `struck` counts only for a moment."""
    short = {id(note) for note in struck}
    events: list[tuple[float, int]] = []
    for note in notes:
        moment = note.start + take.reach(note.start)
        events += [(note.start, 1), (min(note.end, moment) if id(note) in short else note.end, -1)]
    counts, now = [], 0
    for _, step in sorted(events):
        now += step
        counts.append(float(now))
    return counts
