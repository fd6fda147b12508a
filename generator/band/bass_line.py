"""Which notes the bass plays: from tokens relative to the chord to pitches of a real line.

A line is a chain of *strokes*. Each stroke has a few candidate pitches with a cost of their own,
and going from one pitch to the next costs by the interval; the cheapest chain is found exactly
(Viterbi). A token such as the fifth has one or two candidates; a step of a walking line has every
chord and scale tone in reach; an approach note has the pitches that lead by its interval to a
candidate of the note after it, and to no other. The rules are common practice, no source.
"""

import random
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple

from generator.band.voicing import ChordTones, cheapest, chord_tones
from generator.harmony.chord import Chord
from generator.harmony.key import Key

if TYPE_CHECKING:
    from generator.band.pitched_spec import BassSpec

__all__ = ["Role", "Stroke", "line_pitches", "scale_tones"]

Role = Literal[
    "root", "third", "fifth", "low fifth", "sixth", "seventh", "octave", "pedal", "pedal octave",
    "chromatic", "scale", "dominant", "walk root", "walk strong", "walk weak", "walk approach",
]  # fmt: skip

APPROACHES = {
    "chromatic": (1, -1),
    "scale": (1, -1, 2, -2),
    "dominant": (-7, 5),
    "walk approach": (1, -1, 2, -2, -7, 5),
}
"""Intervals from an approach note to the note that it leads to, in semitones."""

APPROACH_COST = {1: 0.0, -1: 0.0, 2: 0.5, -2: 0.5, -7: 1.4, 5: 1.2}
FORBIDDEN = 60.0
REPEATED = 3.2
UNRESOLVED = 8.0
OTHER_SIDE = 1.2
"""What it costs a token to lie on the other side of the root than usual, to save a leap."""


# Cost of an interval in a walking line, by its size: steps first, leaps must be worth it.
WALK_INTERVAL = (0.0, 0.0, 0.0, 0.5, 0.7, 1.0, 2.2, 1.2, 2.6, 2.6, 3.0, 4.0, 2.2)


class Stroke(NamedTuple):
    """One note of the line before it has a pitch.

    `linked` says that the next stroke follows without a silence between, so that an approach
    makes sense. `contour` is where a walking line is heading, in semitones from the centre.
    """

    role: Role
    chord: Chord
    key: Key
    linked: bool = True
    contour: float = 0.0


def line_pitches(
    strokes: Sequence[Stroke], spec: "BassSpec", rng: random.Random
) -> tuple[int, ...]:
    """Return a MIDI key for each stroke.

    Parameters
    ----------
    strokes : sequence of Stroke
    spec : BassSpec
        Its `low`, `high`, `centre` and `leap` bound the line.
    rng : random.Random
        Makes one walk differ from the next.
    """
    if not strokes:
        return ()
    homes = _homes(strokes, spec)
    steps: list[tuple[tuple[float, int], ...]] = [()] * len(strokes)
    following: tuple[tuple[float, int], ...] = ()
    for i in reversed(range(len(strokes))):
        stroke = strokes[i]
        if not stroke.linked:
            following = ()
        if stroke.role in APPROACHES and following:
            found = _approaches(stroke, following, spec)
            steps[i] = found or _token("fifth", stroke, homes[i], spec)
        elif stroke.role.startswith("walk"):
            steps[i] = _walk(stroke, spec, rng)
        else:
            steps[i] = _token(stroke.role, stroke, homes[i], spec)
        following = steps[i]
    return _cheapest(strokes, steps, spec.leap)


def _homes(strokes: Sequence[Stroke], spec: "BassSpec") -> list[int]:
    """Where the hand lies for each stroke: the pitch of its chord's root or slash bass."""
    homes: list[int] = []
    chord, home = None, spec.centre
    for stroke in strokes:
        if stroke.chord is not chord:
            chord = stroke.chord
            bass = chord_tones(chord).bass
        home = _home(bass, home, spec.low, spec.high, spec.centre)
        homes.append(home)
    return homes


@lru_cache(maxsize=4096)
def _home(pitch_class: int, before: int, low: int, high: int, centre: int) -> int:
    options = _pitches(pitch_class, low, high)
    return min(options, key=lambda p: (0.6 * abs(p - centre) + 0.4 * abs(p - before), p))


@lru_cache(maxsize=1024)
def _pitches(pitch_class: int, low: int, high: int) -> tuple[int, ...]:
    return tuple(range(low + (pitch_class - low) % 12, high + 1, 12))


def _token(role: str, stroke: Stroke, home: int, spec: "BassSpec") -> tuple[tuple[float, int], ...]:
    """Return the one or two pitches that a token may stand for, the usual one first."""
    if role.startswith("pedal"):
        options = _pitches(stroke.key.tonic.pitch_class, spec.low, spec.high)
        pedal = min(options, key=lambda p: (abs(p - spec.centre), p))
        return ((0.0, pedal + 12 if role == "pedal octave" and pedal + 12 <= spec.high else pedal),)
    if role in ("root", "walk root"):
        return ((0.0, home),)
    if role == "octave":
        wanted = [home + 12, home]
    else:
        up = (_tone(role, chord_tones(stroke.chord)) - home) % 12
        above, below = home + up, home + up - 12
        low_hand = role == "low fifth" or (role == "fifth" and home > spec.centre + 1)
        wanted = [below, above] if low_hand else [above, below]
    within = [pitch for pitch in wanted if spec.low <= pitch <= spec.high] or [home]
    other_side = 6.0 if role in ("octave", "low fifth") else OTHER_SIDE
    return tuple((other_side * i, pitch) for i, pitch in enumerate(within))


def _tone(role: str, tones: ChordTones) -> int:
    """Return the pitch class of a token, with what stands in for a tone that is not there."""
    if tones.bass != tones.root:  # over a slash bass only what agrees with it
        fifth_of_bass = (tones.bass + 7) % 12
        if role in ("third", "sixth", "seventh"):
            return tones.bass
        return fifth_of_bass if fifth_of_bass in tones.pitch_classes else tones.root
    fifth = tones.root if tones.fifth is None else tones.fifth
    if role == "third":
        return fifth if tones.third is None else tones.third
    minor = tones.third is not None and (tones.third - tones.root) % 12 == 3
    if role == "sixth":
        if tones.sixth is not None:
            return tones.sixth
        if minor:
            return fifth if tones.seventh is None else tones.seventh
        perfect = (fifth - tones.root) % 12 == 7
        return (tones.root + 9) % 12 if tones.third is not None and perfect else fifth
    if role == "seventh":
        if tones.seventh is not None:
            return tones.seventh
        return fifth if tones.sixth is None else tones.sixth
    return fifth


@lru_cache(maxsize=1024)
def scale_tones(chord: Chord, key: Key) -> frozenset[int]:
    """Return the pitch classes a line may step through over a chord.

    The tones of the chord and those of the key that do not lie a semitone beside a tone of the
    chord foreign to the key.
    """
    tones = chord_tones(chord).pitch_classes | {chord_tones(chord).bass}
    own = frozenset(key.pitch_classes)
    foreign = tones - own
    blocked = {(tone + side) % 12 for tone in foreign for side in (-1, 1)} - tones
    return frozenset((own - blocked) | tones)


@lru_cache(maxsize=2048)
def _walk_options(
    chord: Chord, key: Key, role: str, low: int, high: int
) -> tuple[tuple[float, int], ...]:
    tones = chord_tones(chord)
    if role == "walk root":
        return tuple((0.0, pitch) for pitch in _pitches(tones.bass, low, high))
    chord_classes = _chord_classes(chord)
    allowed = chord_classes if role == "walk strong" else scale_tones(chord, key)
    return tuple(
        (0.0 if pitch % 12 in chord_classes else 0.9, pitch)
        for pitch in range(low, high + 1)
        if pitch % 12 in allowed
    )


def _walk(stroke: Stroke, spec: "BassSpec", rng: random.Random) -> tuple[tuple[float, int], ...]:
    # The last octave of the neck is for fills, not for walking.
    high = min(spec.high, spec.centre + 16)
    role = "walk strong" if stroke.role == "walk approach" else stroke.role
    heading = spec.centre + 2 + stroke.contour
    pull = 0.16 if stroke.role == "walk root" else 0.12
    return tuple(
        (cost + pull * abs(pitch - heading) + 0.9 * rng.random(), pitch)
        for cost, pitch in _walk_options(stroke.chord, stroke.key, role, spec.low, high)
    )


def _approaches(
    stroke: Stroke, following: tuple[tuple[float, int], ...], spec: "BassSpec"
) -> tuple[tuple[float, int], ...]:
    """Return the pitches that lead to a candidate of the next stroke."""
    scale = scale_tones(stroke.chord, stroke.key)
    found: dict[int, float] = {}
    for _, target in following:
        for interval in APPROACHES[stroke.role]:
            pitch = target - interval
            if not spec.low <= pitch <= spec.high:
                continue
            if abs(interval) == 2 and pitch % 12 not in scale:
                continue
            if stroke.role == "scale" and pitch % 12 not in scale:
                continue
            cost = 0.0 if pitch % 12 in scale else 0.3
            found[pitch] = min(cost, found.get(pitch, cost))
    return tuple((cost, pitch) for pitch, cost in sorted(found.items()))


@lru_cache(maxsize=256)
def _interval_costs(role: Role, linked: bool, is_tone: bool, leap: int) -> dict[int, float]:
    """Return what it costs to go on by each interval from a note, a tone of its chord or not."""
    return {i: _interval_cost(role, linked, is_tone, i, leap) for i in range(-48, 49)}


def _interval_cost(role: Role, linked: bool, is_tone: bool, interval: int, leap: int) -> float:
    size = abs(interval)
    cost = 0.0
    if role in APPROACHES and linked:
        cost = APPROACH_COST[interval] if interval in APPROACHES[role] else 20.0
    elif size == 0:  # a walk moves on; a groove may stay
        cost = REPEATED if role.startswith("walk") else 0.0
    elif size <= 12:
        cost = WALK_INTERVAL[size]
        if not is_tone and size > 2:  # a passing note passes
            cost += UNRESOLVED
    if size > leap:
        cost += FORBIDDEN + size
    return cost


def _cheapest(
    strokes: Sequence[Stroke], steps: Sequence[tuple[tuple[float, int], ...]], leap: int
) -> tuple[int, ...]:
    """Return the cheapest chain of candidates."""
    totals = [cost for cost, _ in steps[0]]
    pointers: list[list[int]] = []
    chord = None
    for i in range(1, len(steps)):
        stroke, before = strokes[i - 1], steps[i - 1]
        if stroke.chord is not chord:
            chord = stroke.chord
            tones = _chord_classes(chord)
        rows = [
            (total, old, _interval_costs(stroke.role, stroke.linked, old % 12 in tones, leap))
            for total, (_, old) in zip(totals, before, strict=True)
        ]
        row, best = [], []
        for own, pitch in steps[i]:
            sums = [total + table[pitch - old] for total, old, table in rows]
            least = min(sums)
            row.append(sums.index(least))
            best.append(least + own)
        pointers.append(row)
        totals = best
    return tuple(step[i][1] for step, i in zip(steps, cheapest(totals, pointers), strict=True))


@lru_cache(maxsize=1024)
def _chord_classes(chord: Chord) -> frozenset[int]:
    tones = chord_tones(chord)
    return tones.pitch_classes | {tones.bass}
