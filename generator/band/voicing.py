"""Voicings, and the smoothest way through them.

Conventions
-----------
* A *voicing* is a tuple of MIDI keys from the lowest voice to the highest.
* *Guide tones* are what tells a chord from its neighbours: the third (the fourth or second of a
  suspension), and the seventh, or the sixth of a sixth chord. A voicing always keeps them.
* A *cost* has the unit of one voice moving one semitone; less is better.

Every chord has a set of candidate voicings with a cost of their own (shape, register, what is
left out or doubled); moving from one to the next costs the movement of the voices. `lead` finds
the cheapest path through all candidates exactly (Viterbi's dynamic programming), so a change late
in the form can decide where the first chord lies.

The rules of thumb behind the costs (keep guide tones, leave root and fifth to the bass, move by
the least distance) are common practice, no source; the weights are ours, tuned by ear and by the
measures in tests/test_band_pad.py.
"""

import random
from functools import cache, lru_cache
from itertools import combinations, combinations_with_replacement, pairwise, product
from operator import add, sub
from typing import NamedTuple

from generator.harmony.chord import Chord

__all__ = [
    "MIDDLE_C",
    "Candidate",
    "ChordTones",
    "Voicing",
    "candidates",
    "cheapest",
    "chord_tones",
    "lead",
    "movements",
    "power_tones",
]

Voicing = tuple[int, ...]
Candidate = tuple[float, Voicing]

KEPT = 18
"""How many of the best candidates of a chord take part in the search."""

MIDDLE_C = 60
FAR = 5
"""A voice that moves further than this many semitones is heard as a jump."""


class ChordTones(NamedTuple):
    """The tones of a chord by the part they play, as pitch classes (0 to 11).

    `guides` must sound; `optional` may, each with the cost of leaving it out; `doubles` may sound
    twice, each with the cost of doing so. `third`, `fifth`, `seventh` are None when absent.
    """

    root: int
    bass: int
    third: int | None
    fifth: int | None
    seventh: int | None
    sixth: int | None
    guides: tuple[int, ...]
    optional: tuple[tuple[int, float], ...]
    doubles: tuple[tuple[int, float], ...]

    @property
    def pitch_classes(self) -> frozenset[int]:
        """Every tone of the chord, the slash bass not included unless it is one."""
        return frozenset((*self.guides, *(tone for tone, _ in self.optional), self.root))


@lru_cache(maxsize=1024)
def chord_tones(chord: Chord) -> ChordTones:
    """Sort the tones of a chord by the part they play in a voicing."""
    root, bass = chord.root.pitch_class, chord.bass_pitch_class
    by_number: dict[int, list[int]] = {}
    for degree in chord.voiced_degrees:
        by_number.setdefault(degree.number, []).append((root + degree.semitones) % 12)
    fifths = by_number.get(5, [])
    fifth = next(
        (tone for tone in fifths if (tone - root) % 12 == 7), fifths[0] if fifths else None
    )
    seventh = by_number.get(7, [None])[0]
    sixth = by_number.get(6, [None])[0]
    # A suspension stands where the third would; an eleventh chord without third is one too.
    third = next((by_number[n][0] for n in (3, 4, 2, 11) if n in by_number), None)
    upper = seventh if seventh is not None else sixth
    guides = tuple(dict.fromkeys(tone for tone in (third, upper) if tone is not None))

    optional: dict[int, float] = {}
    for number, tones in by_number.items():
        for tone in tones:
            if tone in guides:
                continue
            altered = {5: (tone - root) % 12 != 7, 9: True, 11: True, 13: True}.get(number, False)
            if number == 1:
                optional[tone] = 0.8 if tone == bass else 2.5
            elif number == 5:
                optional[tone] = 6.0 if altered else 1.2
            else:
                optional[tone] = {13: 4.0, 11: 3.5, 9: 3.0, 2: 3.0, 4: 3.0}.get(number, 2.5)
    doubles = [(root, 0.4)]
    if fifth is not None and (fifth - root) % 12 == 7:
        doubles.append((fifth, 0.8))
    if third is not None:
        doubles.append((third, 1.2 if (third - root) % 12 == 3 else 2.4))
    return ChordTones(
        root, bass, third, fifth, seventh, sixth, guides, tuple(optional.items()), tuple(doubles)
    )


@lru_cache(maxsize=1024)
def power_tones(tones: ChordTones) -> ChordTones:
    """Return root and fifth of a chord as all that a voicing may hold."""
    fifth = () if tones.fifth is None else (tones.fifth,)
    return tones._replace(
        guides=(tones.root, *fifth),
        optional=(),
        doubles=tuple((tone, 0.4 + i) for i, tone in enumerate((tones.root, *fifth))),
    )


@lru_cache(maxsize=2048)
def tone_sets(tones: ChordTones, voices: int) -> tuple[tuple[float, tuple[int, ...]], ...]:
    """Return what `voices` voices may sing of a chord, each choice with its cost."""
    guides, optional = tones.guides[:voices], tones.optional
    room = voices - len(guides)
    whole = sum(cost for _, cost in optional)
    found: dict[tuple[int, ...], float] = {}
    for count in range(min(room, len(optional)) + 1):
        for chosen in combinations(optional, count):
            left_out = whole - sum(cost for _, cost in chosen)
            have = (*guides, *(tone for tone, _ in chosen))
            for twice in combinations_with_replacement(tones.doubles, room - count):
                if any(tone not in have for tone, _ in twice):
                    continue
                singers = tuple(sorted((*have, *(tone for tone, _ in twice))))
                cost = left_out + sum(cost for _, cost in twice) + max(0, len(twice) - 1)
                found[singers] = min(cost, found.get(singers, cost))
    return tuple((cost, singers) for singers, cost in found.items())


def shape_cost(voicing: Voicing) -> float:
    """Return how ill a voicing sounds on its own; infinite for what must not be played."""
    cost = 0.0
    top_gap = len(voicing) - 2
    for i, (lower, upper) in enumerate(pairwise(voicing)):
        gap = upper - lower
        if gap == 0 or gap > 12 or (gap == 1 and lower < MIDDLE_C):
            return float("inf")
        if gap == 1:
            cost += 3.0 if i == top_gap else 1.2
        elif gap == 2:
            cost += 1.5 if lower < 57 else 0.4 if i < top_gap else 1.0
        elif gap > 7:
            cost += 0.6 * (gap - 7)
    for lower, upper in combinations(voicing, 2):
        if upper - lower == 13:  # a minor ninth grinds
            cost += 2.5
    span = voicing[-1] - voicing[0]
    if len(voicing) > 2 and span < 7:
        cost += 1.0
    return cost + max(0, span - 15) * 0.5


@lru_cache(maxsize=4096)
def candidates(
    tones: ChordTones, voices: int, low: int, high: int, centre: int
) -> tuple[Candidate, ...]:
    """Return the best voicings of a chord between two MIDI keys, the cheapest first.

    Parameters
    ----------
    tones : ChordTones
    voices : int
        How many voices, 2 to 4; fewer where no good voicing has so many.
    low, high : int
        Lowest and highest MIDI key.
    centre : int
        Where the middle of the voicing should lie.
    """
    found: dict[Voicing, float] = {}
    for set_cost, singers in tone_sets(tones, voices):
        places = [range(low + (tone - low) % 12, high + 1, 12) for tone in singers]
        for keys in product(*places):
            voicing = tuple(sorted(keys))
            if voicing in found and found[voicing] <= set_cost:
                continue
            cost = set_cost + shape_cost(voicing)
            if cost < float("inf"):
                register = abs(sum(voicing) / len(voicing) - centre)
                found[voicing] = min(cost + 0.35 * register, found.get(voicing, float("inf")))
    if not found and voices > 1:  # too few tones for so many voices, as in a power chord
        return candidates(tones, voices - 1, low, high, centre)
    ranked = sorted((cost, voicing) for voicing, cost in found.items())
    return tuple(ranked[:KEPT])


def movements(before: Voicing, after: Voicing) -> tuple[int, ...]:
    """Return by how many semitones each voice moves, from the lowest up.

    When the number of voices changes, the voices that go on are those that move least.

    >>> movements((60, 64, 67), (60, 65, 69))
    (0, 1, 2)
    >>> movements((60, 64, 67), (59, 62, 65, 67))
    (-1, 1, 0)
    """
    if len(before) == len(after):
        return tuple(map(sub, after, before))
    fewer = min(len(before), len(after))
    return min(
        (
            tuple(b - a for a, b in zip(some, others, strict=True))
            for some in combinations(before, fewer)
            for others in combinations(after, fewer)
        ),
        key=lambda moves: sum(map(abs, moves)),
    )


def movement_cost(before: Voicing, after: Voicing) -> float:
    """Return what it costs to go from one voicing to the next."""
    *others, top = movements(before, after)
    return _costs(len(others) + 1)[sum(_MOVED[move] for move in others) + _TOP_MOVED[top]]


_UP, _DOWN = 1 << 16, 1 << 20  # a voice that goes more than two semitones


def _move_cost(move: int) -> int:
    direction = _UP if move > 2 else _DOWN if move < -2 else 0
    return direction + 2 * abs(move) + (16 if abs(move) > FAR else 0)


# By how far a voice moves, down as from the end of a list: twice the cost, and above it
# where it goes, so that what is known of a hand is a sum.
_MOVES = (*range(128), *range(-128, 0))
_MOVED = [_move_cost(move) for move in _MOVES]
_TOP_MOVED = [_move_cost(move) + (2 if abs(move) > 3 else 0) for move in _MOVES]


class _Costs(dict[int, float]):
    """The cost of the moves of so many voices, by the sum of them."""

    def __init__(self, voices: int) -> None:
        self._slides = voices * _UP, voices * _DOWN

    def __missing__(self, moved: int) -> float:
        slides = moved - moved % _UP in self._slides  # the whole hand
        cost = self[moved] = moved % _UP / 2 + (1.5 if slides else 0.0)
        return cost


@cache
def _costs(voices: int) -> _Costs:
    return _Costs(voices)


@lru_cache(maxsize=64)  # a pack asks again at each tempo
def lead(
    steps: tuple[tuple[Candidate, ...], ...], *, seed: str = "", variety: float = 0
) -> tuple[Voicing, ...]:
    """Return the cheapest path: one voicing for each step.

    Parameters
    ----------
    steps : tuple of tuple of Candidate
        The candidates of each chord, none empty.
    seed, variety
        A random cost up to `variety` on every candidate, so that no two choruses need be voiced
        alike; none by default.
    """
    if not steps:
        return ()
    rng = random.Random(seed)
    matrices: dict[tuple[int, int], list[list[float]]] = {}
    pointers: list[list[int]] = []
    totals = _own_costs(steps[0], rng, variety)
    for before, after in pairwise(steps):
        key = (id(before), id(after))
        if key not in matrices:
            matrices[key] = _matrix(before, after)
        own, row, best = _own_costs(after, rng, variety), [], []
        for cost, column in zip(own, matrices[key], strict=True):
            sums = list(map(add, totals, column))
            least = min(sums)
            row.append(sums.index(least))
            best.append(least + cost)
        pointers.append(row)
        totals = best
    return tuple(step[i][1] for step, i in zip(steps, cheapest(totals, pointers), strict=True))


def cheapest(totals: list[float], pointers: list[list[int]]) -> list[int]:
    """Return the places of the cheapest path, from its end back along the pointers.

    `totals` are the costs of the paths that end at each place of the last step; `pointers[i]`
    says for each place of step i + 1 which place of step i its best path comes from.
    """
    place = totals.index(min(totals))
    path = [place]
    for row in reversed(pointers):
        place = row[place]
        path.append(place)
    path.reverse()
    return path


def _own_costs(step: tuple[Candidate, ...], rng: random.Random, variety: float) -> list[float]:
    if not variety:
        return [cost for cost, _ in step]
    return [cost + variety * rng.random() for cost, _ in step]


@lru_cache(maxsize=4096)
def _matrix(before: tuple[Candidate, ...], after: tuple[Candidate, ...]) -> list[list[float]]:
    """Movement costs, one row for each candidate of `after`."""
    old, new = ([voicing for _, voicing in step] for step in (before, after))
    if {*map(len, old), *map(len, new)} == {3}:  # most are: a third of the time
        costs, moved, top = _costs(3), _MOVED, _TOP_MOVED
        return [
            [costs[moved[a - d] + moved[b - e] + top[c - f]] for d, e, f in old] for a, b, c in new
        ]
    return [[movement_cost(one, other) for one in old] for other in new]
