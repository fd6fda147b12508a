"""Chord shapes that a hand can hold on a guitar in standard tuning.

Strings are counted from the lowest (0, E2, MIDI 40) to the highest (5, E4, MIDI 64). A *shape* is
a fret for each string, None where it is not played; fret 0 is the open string. A shape can be
held when its fretted notes lie within four frets and need four fingers or fewer; the first finger
may lie across several strings at its lowest fret (a barre), as long as none of the strings it
covers is to sound open.
"""

from functools import lru_cache
from itertools import product
from typing import NamedTuple

from generator.band.voicing import (
    KEPT,
    Candidate,
    ChordTones,
    Voicing,
    shape_cost,
    tone_sets,
)

__all__ = ["FRETS", "STRINGS", "Shape", "guitar_candidates", "shape_of", "shapes"]

STRINGS = (40, 45, 50, 55, 59, 64)
"""The open strings E2 A2 D3 G3 B3 E4 as MIDI keys."""

FRETS = 15
"""As far up the neck as a comping hand goes."""

SPAN = 4
"""Frets that a hand covers without stretching, the lowest and the highest included."""

FINGERS = 4

Shape = tuple[int | None, ...]


class StringSet(NamedTuple):
    """Neighbouring strings, struck together; `cost` says how far from the usual they are."""

    strings: tuple[int, ...]
    cost: float


STRING_SETS = {
    2: (
        StringSet((2, 3), 0.0),
        StringSet((3, 4), 0.0),
        StringSet((4, 5), 1.0),
        StringSet((1, 2), 0.5),
        StringSet((0, 1), 0.8),
    ),
    3: (
        StringSet((2, 3, 4), 0.0),
        StringSet((3, 4, 5), 0.3),
        StringSet((1, 2, 3), 1.0),
        StringSet((0, 1, 2), 1.5),
    ),
    4: (StringSet((2, 3, 4, 5), 0.0), StringSet((1, 2, 3, 4), 0.2)),
}


def fingers(frets: tuple[int, ...]) -> int:
    """Return how many fingers frets on neighbouring strings need; 0 is an open string.

    >>> fingers((3, 5, 5, 4, 3, 3))  # a barre over six strings
    4
    """
    fretted = [fret for fret in frets if fret]
    if not fretted:
        return 0
    lowest = min(fretted)
    barred = [i for i, fret in enumerate(frets) if fret == lowest]
    covered = frets[barred[0] : barred[-1] + 1]
    barre = len(barred) > 1 and 0 not in covered
    return len(fretted) - (len(barred) - 1 if barre else 0)


def is_playable(frets: tuple[int, ...]) -> bool:
    """Return whether a hand can hold frets on neighbouring strings."""
    fretted = [fret for fret in frets if fret]
    return not fretted or (max(fretted) - min(fretted) < SPAN and fingers(frets) <= FINGERS)


@lru_cache(maxsize=2048)
def shapes(
    pitch_classes: frozenset[int], voices: int, low: int, high: int, open_strings: bool
) -> tuple[tuple[float, Shape], ...]:
    """Return every shape on neighbouring strings that sounds only these tones, with its cost.

    Parameters
    ----------
    pitch_classes : frozenset of int
    voices : int
        Number of strings, 2 to 4.
    low, high : int
        Lowest and highest MIDI key.
    open_strings : bool
        Whether open strings may be used: they ring, but cannot be muted by the fretting hand.
    """
    found: list[tuple[float, Shape]] = []
    first = 0 if open_strings else 1
    for group in STRING_SETS[voices]:
        choices = [
            [
                fret
                for fret in range(first, FRETS + 1)
                if low <= STRINGS[string] + fret <= high
                and (STRINGS[string] + fret) % 12 in pitch_classes
            ]
            for string in group.strings
        ]
        for frets in product(*choices):
            if not is_playable(frets):
                continue
            shape: list[int | None] = [None] * len(STRINGS)
            for string, fret in zip(group.strings, frets, strict=True):
                shape[string] = fret
            fretted = [fret for fret in frets if fret]
            stretch = 0.3 * (max(fretted) - min(fretted)) if fretted else 0.0
            high_up = 0.15 * max(0, max(frets) - 9)
            cost = group.cost + stretch + high_up + 0.2 * fingers(frets)
            found.append((cost, tuple(shape)))
    return tuple(found)


@lru_cache(maxsize=2048)
def guitar_candidates(
    tones: ChordTones, voices: int, low: int, high: int, centre: int, open_strings: bool
) -> tuple[Candidate, ...]:
    """Return the best voicings of a chord on the fretboard, the cheapest first.

    Guide tones are kept when the strings allow it; the parameters are those of `shapes` and of
    `generator.band.voicing.candidates`.
    """
    costs = {singers: cost for cost, singers in tone_sets(tones, voices)}
    allowed = tones.pitch_classes
    found: dict[Voicing, float] = {}
    for hand, shape in shapes(allowed, voices, low, high, open_strings):
        keys = [
            string + fret for string, fret in zip(STRINGS, shape, strict=True) if fret is not None
        ]
        voicing = tuple(sorted(keys))
        set_cost = costs.get(tuple(sorted(key % 12 for key in voicing)))
        if set_cost is None:
            continue
        register = abs(sum(voicing) / len(voicing) - centre)
        cost = hand + set_cost + shape_cost(voicing) + 0.35 * register
        if cost < found.get(voicing, float("inf")):
            found[voicing] = cost
    ranked = sorted((cost, voicing) for voicing, cost in found.items())
    return tuple(ranked[:KEPT])


def shape_of(voicing: Voicing, *, open_strings: bool = False) -> Shape | None:
    """Return the easiest shape on neighbouring strings that sounds a voicing, None without one.

    >>> shape_of((57, 60, 64))
    (None, None, 7, 5, 5, None)
    """
    classes = frozenset(key % 12 for key in voicing)
    if len(voicing) not in STRING_SETS:
        return None
    fitting = [
        (cost, shape)
        for cost, shape in shapes(classes, len(voicing), min(voicing), max(voicing), open_strings)
        if sorted(s + f for s, f in zip(STRINGS, shape, strict=True) if f is not None)
        == sorted(voicing)
    ]
    return min(fitting, key=lambda found: found[0])[1] if fitting else None
