"""Rules 13 to 16: touch and timing, against the style's grid over the beats of the map."""

from bisect import bisect_left
from statistics import fmean, pstdev

from band_rules.grid import asked_ratio
from band_rules.take import VOICES, Take

__all__ = ["measure_timing", "measure_touch"]

Samples = dict[str, list[float]]

FEWEST_STROKES = 24


def measure_touch(take: Take) -> Samples:
    """Rule 13 and the numbers behind rule 20: velocities and strokes."""
    found: Samples = {}
    for voice, hands in (("hat", ("hat", "ride")), ("snare", ("snare",)), ("kick", ("kick",))):
        velocities = [note.velocity for hand in hands for note in take.voice(hand)]
        if len(velocities) >= FEWEST_STROKES and not take.changes_dynamics:
            found[f"spread {voice}"] = [pstdev(velocities)]
    for part in ("drums", "bass", "pad", "comp"):
        notes = getattr(take, part)
        found[f"{part} velocity"] = [float(note.velocity) for note in notes]
        found[f"{part} notes a bar"] = [len(notes) / len(take.bars)]
    return found


def measure_timing(take: Take) -> Samples:
    """Rules 14 to 16."""
    found: Samples = {}
    keys = {key: voice for voice, own in VOICES.items() for key in own}
    onsets: list[tuple[str, float]] = [
        (keys.get(note.pitch, "percussion"), note.start) for note in take.drums
    ]
    onsets += [("bass", note.start) for note in take.bass]
    onsets += [("pad", note.start) for note in take.pad]
    onsets += [("comp", start) for start in _strokes(take)]
    steady_until = take.midi.tempos[1][0] if len(take.midi.tempos) > 1 else float("inf")
    ratio = asked_ratio(take.facts, 60_000_000 / take.midi.tempos[0][1])
    pair = take.grid.pair_quarters * take.midi.ticks_per_quarter
    kicks: dict[float, float] = {}
    positions: list[tuple[str, float, float]] = []
    for voice, start in onsets:
        bar, _, at = take.place(start)
        late_ms = (start - at) * take.midi.ms_per_tick(at)
        found.setdefault(f"late {voice}", []).append(late_ms)
        found.setdefault("late all", []).append(abs(late_ms))
        if voice == "kick":
            kicks[at] = start
        if ratio != 1 and at < steady_until:
            beat = bar.beats[max(0, bisect_left(bar.beats, at + 1) - 1)]
            positions.append((voice, (at - beat) % pair, start - at))
    if ratio != 1:
        found["swing error"] = _swing_error(positions, pair, ratio)
    together = [
        abs(take.midi.ms_per_tick(at) * (note.start - kicks[at])) <= 10
        for note in take.bass
        if (at := take.place(note.start)[2]) in kicks
    ]
    found["with the kick"] = [float(one) for one in together]
    return found


def _swing_error(
    positions: list[tuple[str, float, float]], pair: float, ratio: float
) -> list[float]:
    """Return by how much the swing ratio misses what was asked, as a share of it.

    The place of the off-beat is the mean over all notes on it, less the mean of the same voices
    on the beat: habits and spread of the players fall out, what is left is the grid.
    """
    asked = pair * ratio / (1 + ratio)
    voices = {voice for voice, _, _ in positions}
    error, weight = 0.0, 0
    for voice in voices:
        on = [late for v, at, late in positions if v == voice and at < 1]
        off = [late for v, at, late in positions if v == voice and abs(at - asked) < 1]
        if len(on) >= 8 and len(off) >= 8:
            error += len(off) * (sum(off) / len(off) - sum(on) / len(on))
            weight += len(off)
    if weight < 40:
        return []
    first = asked + error / weight
    return [(first / (pair - first) - ratio) / ratio]


def _strokes(take: Take) -> list[float]:
    """Return when each stroke of the comp is heard: the middle of the notes that it strikes."""
    strokes: list[list[int]] = []
    for note in take.comp:
        if not strokes or note.start - strokes[-1][0] > take.stroke(note.start):
            strokes.append([])
        strokes[-1].append(note.start)
    return [fmean(stroke) for stroke in strokes]
