"""Voicings and the way through them; chord shapes on the fretboard."""

import random
from itertools import combinations, pairwise, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.band.fretboard import (
    STRINGS,
    fingers,
    guitar_candidates,
    is_playable,
    shape_of,
)
from generator.band.voicing import (
    candidates,
    chord_tones,
    lead,
    movement_cost,
    movements,
)
from generator.harmony.chord import parse_chord

ROOTS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
QUALITIES = (
    "", "m", "dim", "aug", "5", "sus2", "sus4", "6", "m6", "6/9", "7", "maj7", "m7", "m(maj7)",
    "m7b5", "dim7", "7#5", "7b5", "7sus4", "9sus4", "13sus4", "add9", "madd9", "9", "maj9", "m9",
    "11", "m11", "13", "m13", "maj13", "7b9", "7#9", "7b9b13", "7#11", "13#11", "7alt", "maj7#11",
    "maj7#5",
)  # fmt: skip


def degree(symbol, number):
    """Return the pitch class of a degree, straight from the parsed symbol; None without it."""
    chord = parse_chord(symbol)
    found = [d for d in chord.degrees if d.number == number]
    return (chord.root.pitch_class + found[0].semitones) % 12 if found else None


@pytest.mark.parametrize("quality", QUALITIES)
def test_candidates_keep_the_register_and_what_names_the_chord(quality):
    for root in ROOTS:
        symbol = root + quality
        allowed = set(parse_chord(symbol).pitch_classes)
        third = next((degree(symbol, n) for n in (3, 4, 2) if degree(symbol, n) is not None), None)
        if quality == "11":  # a dominant eleventh goes without its third
            third = degree(symbol, 11)
        for voices in (3, 4):
            found = candidates(chord_tones(parse_chord(symbol)), voices, 52, 72, 62)
            assert found, symbol
            for _, voicing in found:
                sounding = {key % 12 for key in voicing}
                assert sounding <= allowed, (symbol, voicing)
                assert voicing == tuple(sorted(set(voicing)))
                assert 52 <= voicing[0] <= voicing[-1] <= 72
                assert all(b - a > 1 for a, b in pairwise(voicing) if a < 60), (symbol, voicing)
                assert third is None or third in sounding, (symbol, voicing)
                if degree(symbol, 7) is not None:
                    assert degree(symbol, 7) in sounding, (symbol, voicing)


def test_the_bass_is_left_what_it_plays():
    """A ninth chord in four voices keeps the ninth and leaves the root to the bass."""
    _, best = candidates(chord_tones(parse_chord("C9")), 4, 52, 72, 62)[0]
    assert {key % 12 for key in best} >= {4, 10, 2}
    assert 0 not in {key % 12 for key in best}


def test_a_slash_bass_foreign_to_the_chord_stays_out_of_the_voicing():
    for _, voicing in candidates(chord_tones(parse_chord("Bb/C")), 3, 52, 72, 62):
        assert 0 not in {key % 12 for key in voicing}


def test_the_path_finds_the_taught_rootless_voicings():
    """Two, five, one in C, as every jazz piano method has the left hand play it.

    Source: Levine 1989, The Jazz Piano Book, left-hand voicings; from memory.
    """
    chords = [chord_tones(parse_chord(symbol)) for symbol in ("Dm9", "G13", "Cmaj9")]
    path = lead(tuple(candidates(tones, 4, 52, 72, 58) for tones in chords))
    assert path == ((53, 57, 60, 64), (53, 57, 59, 64), (52, 55, 59, 62))


def brute_force(steps):
    """Return the least cost over every path."""
    best = float("inf")
    for path in product(*steps):
        own = sum(cost for cost, _ in path)
        moved = sum(movement_cost(a, b) for (_, a), (_, b) in pairwise(path))
        best = min(best, own + moved)
    return best


symbols = st.builds(str.__add__, st.sampled_from(ROOTS), st.sampled_from(QUALITIES))


@given(st.lists(symbols, min_size=2, max_size=4), st.sampled_from((3, 4)))
def test_no_path_is_cheaper_than_the_one_found(chords, voices):
    tones = [chord_tones(parse_chord(symbol)) for symbol in chords]
    steps = [candidates(one, voices, 52, 72, 62)[:5] for one in tones]
    path = lead(tuple(steps))
    costs = [{voicing: cost for cost, voicing in step} for step in steps]
    found = sum(step[voicing] for step, voicing in zip(costs, path, strict=True))
    found += sum(movement_cost(a, b) for a, b in pairwise(path))
    assert found == pytest.approx(brute_force(steps))


def test_the_path_moves_a_third_of_what_root_position_moves():
    """Random chords: well under the 1.75 semitones that the band may move, blocks far over it."""
    rng = random.Random(4)
    symbols = [rng.choice(ROOTS) + rng.choice(("m7", "7", "maj7", "m9", "13")) for _ in range(300)]
    steps = [candidates(chord_tones(parse_chord(symbol)), 4, 52, 72, 62) for symbol in symbols]
    path = lead(tuple(steps))
    led = [abs(move) for a, b in pairwise(path) for move in movements(a, b)]
    blocks = []
    for symbol in symbols:
        chord = parse_chord(symbol)
        root = 52 + (chord.root.pitch_class - 52) % 12
        degrees = [d for d in chord.degrees if d.number in (1, 3, 5, 7)]
        blocks.append(tuple(sorted(root + d.semitones for d in degrees)))
    moved = [abs(move) for a, b in pairwise(blocks) for move in movements(a, b)]
    assert sum(led) / len(led) <= 1.6
    assert sum(moved) / len(moved) >= 2 * sum(led) / len(led)
    assert sum(move > 5 for move in led) <= 0.02 * len(led)


@given(st.lists(st.integers(52, 72), min_size=3, max_size=3, unique=True).map(sorted),
       st.lists(st.integers(52, 72), min_size=4, max_size=4, unique=True).map(sorted))  # fmt: skip
def test_a_voice_that_joins_leaves_the_smoothest_move_to_the_others(before, after):
    least = min(
        sum(abs(a - b) for a, b in zip(before, some, strict=True))
        for some in combinations(after, 3)
    )
    assert sum(map(abs, movements(tuple(before), tuple(after)))) == least


# Shapes that every guitar method teaches in its first chapters, from memory, as frets on
# neighbouring strings from the lowest up.
TAUGHT = {
    "C": (3, 2, 0, 1, 0),
    "G": (3, 2, 0, 0, 0, 3),
    "D": (0, 2, 3, 2),
    "E": (0, 2, 2, 1, 0, 0),
    "Am": (0, 2, 2, 1, 0),
    "F barre": (1, 3, 3, 2, 1, 1),
    "Bm barre": (2, 4, 4, 3, 2),
}


@pytest.mark.parametrize("name", TAUGHT)
def test_shapes_that_are_taught_can_be_held(name):
    assert is_playable(TAUGHT[name])


@pytest.mark.parametrize("frets", [(1, 5, 1), (1, 2, 4, 6), (1, 2, 1, 2, 3, 2), (2, 0, 2, 3, 2, 4)])
def test_shapes_that_no_hand_holds_are_refused(frets):
    """Too wide a stretch, or more than four fingers; a barre cannot cross an open string."""
    assert not is_playable(frets)


@pytest.mark.parametrize("voices", [2, 3, 4])
@pytest.mark.parametrize("quality", QUALITIES)
def test_guitar_voicings_lie_under_one_hand(quality, voices):
    for root in ROOTS:
        tones = chord_tones(parse_chord(root + quality))
        for _, voicing in guitar_candidates(tones, voices, 48, 74, 60, open_strings=False):
            shape = shape_of(voicing)
            assert shape is not None, (root + quality, voicing)
            frets = tuple(fret for fret in shape if fret is not None)
            assert max(frets) - min(frets) <= 3
            assert fingers(frets) <= 4
            sounding = [s + f for s, f in zip(STRINGS, shape, strict=True) if f is not None]
            assert tuple(sorted(sounding)) == voicing


def test_every_common_chord_has_a_shape_on_three_strings():
    for root, quality in product(ROOTS, ("", "m", "7", "m7", "maj7", "9", "m9", "13", "m7b5")):
        tones = chord_tones(parse_chord(root + quality))
        assert guitar_candidates(tones, 3, 48, 74, 60, open_strings=False), root + quality
