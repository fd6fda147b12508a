"""The compiled loops do what their docstrings say: each against a plain statement of it.

Where a sum has one order the bits are compared; elsewhere a tolerance says how far single
precision may stray.
"""

import ctypes
import re
from itertools import pairwise
from operator import itemgetter
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.linalg import hadamard
from scipy.signal import lfilter, sosfilt
from sound_bands import played

from generator.errors import MissingToolError
from generator.sound import native
from generator.sound.loudness import k_weighting
from generator.sound.native import SPAN, Console, Dry, Strip, packed_sounding

SEEDS = st.integers(0, 2**32 - 1)
ROWS = st.integers(1, 2)
LEVELS = st.floats(-4, 4, width=32)
FRAMES = st.integers(0, 300)
BORDERS = st.sets(st.integers(0, 299), max_size=5).map(sorted)
quickly = settings(max_examples=40)
LONG = 8192
"""At this sample of a block pieces of any length meet that is a power of two up to it."""


def noise(seed: int, *shape: int) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


BEGINS = st.none() | st.integers(0, 90)  # in or behind the note
NOTES = st.tuples(  # sides, first, frames, where curve and fade begin
    ROWS, st.integers(0, 400), st.integers(0, 290), BEGINS, BEGINS, LEVELS
)


@quickly
@given(SEEDS, st.sampled_from([0, LONG - 350]), st.lists(NOTES, max_size=6), BORDERS)
@example(*(1, 0), [(2, 10, 50, None, None, 2), (1, 30, 50, None, 20, 1)], [40])
@example(2, 0, [(1, 0, 250, 50, 0, 1), (1, 210, 90, 89, None, -1), (1, 9, 90, 30, 7, 1)], [75])
@example(3, LONG - 350, [(1, 200, 290, 50, None, 1), (2, 340, 90, 9, 80, -1)], [30])
def test_a_bus_sums_notes_times_gain_curve_and_fade_whatever_the_blocks(seed, at, notes, borders):
    """A curve has a corner every 64 samples, here joined by numpy; a fade is a gain a sample."""
    rng = np.random.default_rng(seed)
    expected, packed, kept = np.zeros((2, 700)), [], []
    for sides, first, frames, curve_from, fade_from, gain in sorted(notes, key=itemgetter(1)):
        sound = rng.integers(-(2**15), 2**15, (sides, frames), np.int16)
        level, addresses = np.full(frames, float(gain)), [0, 0]
        places = np.arange(frames)
        if curve_from is not None:
            corners = rng.random(7, np.float32)
            times = curve_from + SPAN * np.arange(7)
            level[places >= curve_from] *= np.interp(places, times, corners)[places >= curve_from]
            addresses[0] = corners.ctypes.data
            kept.append(corners)
        if fade_from is not None:
            fade = rng.random(max(1, frames - fade_from), np.float32)
            inside = places >= fade_from
            level[inside] *= fade[places[inside] - fade_from]
            addresses[1] = fade.ctypes.data
            kept.append(fade)
        kept.append(sound)
        left, right = sound[0].ctypes.data, sound[-1].ctypes.data
        shape = (addresses[0], curve_from or 0, addresses[1], fade_from or 0)
        where = at + first
        packed.append(packed_sounding(left, right, where, frames, *shape, gain, 0))
        expected[:, first : first + frames] += sound * level
    dry = Dry(b"".join(packed))
    whole = played(dry, at + 700)
    assert not whole[:, :at].any()
    whole = whole[:, at:]
    np.testing.assert_allclose(whole, expected, rtol=1e-5, atol=0.1)
    pieces = zip([0, *borders], np.split(whole, borders, axis=1), strict=True)
    for start, piece in pieces:
        np.testing.assert_array_equal(played(dry, piece.shape[1], at + start), piece)


BUSES = st.tuples(  # whether it is ready, sides, gains, signals that it is heard in
    st.booleans(), ROWS, LEVELS, LEVELS, LEVELS, st.integers(0, 7)
)


@quickly
@given(SEEDS, st.lists(BUSES, max_size=4), st.integers(0, LONG + 500))
@example(1, [(True, 2, 0.5, 0.25, 2.0, 5), (False, 1, 1.0, -1.0, 0.0, 6)], LONG + 300)
@example(2, [(False, 2, 0.5, 0.5, 0.25, 1), (False, 1, 2.0, 1.0, 0.5, 3)], LONG + 300)
def test_a_mix_sums_the_middles_the_sides_and_the_sends_of_what_each_signal_hears(
    seed, buses, frames
):
    """Notes go to the bus, on a curve, and behind it to the signals, in order, a block at once."""
    rng, start = np.random.default_rng(seed), 1000
    strips, expected = [], np.zeros((3, 3, frames), np.float32)
    for is_ready, sides, left, right, send, signals in buses:
        bus = noise(rng.integers(99), 2, frames)
        dry = Dry(ready=bus)
        if not is_ready:
            recording = rng.integers(-99, 99, (sides, 3000), np.int16)
            sides = recording[0].ctypes.data, recording[-1].ctypes.data
            firsts = np.sort(rng.integers(start - 3000, start + frames + 1, 3))
            notes = b"".join(
                packed_sounding(*sides, first, 3000, 0, 0, 0, 0, 1, 0) for first in firsts
            )
            times = np.sort([0, *rng.integers(-300, frames + 300, 5)])
            times -= max(0, times[0])
            levels = rng.choice(np.array([0, 0.3, 1, 2], np.float32), 6)
            dry = Dry(notes, times, levels, kept=recording)
            bus = played(Dry(notes), frames, start)
            native.follow_curve(bus, times, levels)
            alone = np.full((2, frames), np.nan, np.float32)
            native.play(dry, start, alone)
            np.testing.assert_array_equal(alone, bus)
        strips.append(Strip(dry, left, right, send, signals))
        a, b = bus[0] * np.float32(left), bus[1] * np.float32(right)
        for n, signal in enumerate(expected):
            if signals >> n & 1:
                signal += [a + b, a - b, (a + b) * np.float32(send)]
    mixed = np.full((3, 3, frames), np.nan, np.float32)
    native.mix(strips, start, mixed)
    np.testing.assert_array_equal(mixed, expected)


def test_what_is_ready_is_not_played():
    with pytest.raises(ValueError, match="notes are played"):
        native.play(Dry(ready=noise(1, 2, 64)), 0, noise(1, 2, 64))


def test_a_mix_refuses_what_does_not_fit():
    with pytest.raises(ValueError, match="2 signals of 2 rows: at most 64 of 3"):
        native.mix([], 0, noise(1, 2, 2, 64))
    with pytest.raises(ValueError, match="65 signals of 3 rows"):
        native.mix([], 0, noise(1, 65, 3, 64))
    for ready in (noise(1, 1, 64), noise(1, 2, 63)):
        with pytest.raises(ValueError, match="not two rows of 64 samples"):
            native.mix([Strip(Dry(ready=ready), 1, 1, 1)], 0, noise(1, 1, 3, 64))


@quickly
@given(SEEDS, ROWS, st.integers(0, 300))
def test_heights_are_those_of_whole_spans_alone(seed, rows, frames):
    block, spans = noise(seed, rows, frames), frames // SPAN
    expected = np.abs(block[:, : spans * SPAN].reshape(rows, spans, SPAN)).max(axis=2)
    np.testing.assert_array_equal(native.span_heights(block), expected)


TAPS = noise(2, 3, 32) / 8
SPANS = st.lists(st.integers(0, 4), min_size=1, max_size=4).filter(any)


def gauged(gauge: native.Gauge, signal: np.ndarray, spans: list[int]) -> list[np.ndarray]:
    """Return what a gauge says of a signal that comes in blocks of so many spans."""
    borders = np.cumsum(spans)[:-1] * SPAN
    said = [gauge.measure(part) for part in np.split(signal, borders, axis=1)]
    return [np.concatenate(parts) for parts in zip(*said, strict=True)]


@quickly
@given(SEEDS, ROWS, SPANS, st.floats(20, 3000))
@example(1, 2, [1, 3, 0, 2], 645.0)
@example(1, 1, [4, 4], 640.0)
def test_powers_are_those_behind_two_biquads_by_spans_and_by_hops(seed, rows, spans, rate_hz):
    """Outside check: scipy.signal.sosfilt; the blocks may be of any number of spans."""
    rng = np.random.default_rng(seed)
    radius, angle = rng.uniform(0, 0.98, 2), rng.uniform(0, np.pi, 2)
    poles = np.stack([-2 * radius * np.cos(angle), radius**2], axis=-1)
    zeros, signal = rng.standard_normal((2, 3)), noise(seed, rows, sum(spans) * SPAN)
    sos = np.concatenate([zeros, np.ones((2, 1)), poles], axis=-1)
    squares = (sosfilt(sos, signal.astype(float)) ** 2).sum(axis=0)
    weighting = np.concatenate([zeros, poles], axis=-1)
    powers, _, hops = gauged(native.Gauge(weighting, rate_hz, TAPS, 0.0), signal, spans)
    expected = squares.reshape(-1, SPAN).mean(axis=1)
    np.testing.assert_array_max_ulp(powers, expected.astype(np.float32), 1)
    edges = [round(hop * rate_hz / 10) for hop in range(2000)]
    edges = np.array([edge for edge in edges if edge <= signal.shape[1]])
    hops_expected = [part.mean() for part in np.split(squares, edges)[1:-1]]
    np.testing.assert_allclose(hops, hops_expected, rtol=1e-9)


@pytest.mark.parametrize("block_spans", [1, 10, 300])
def test_powers_are_the_same_bits_in_blocks_of_any_length(block_spans):
    """Here of a meter's weighting, whose poles lie near the circle, and by hops of odd lengths.

    Outside check: scipy.signal.sosfilt.
    """
    signal, weighting = noise(1, 2, 19_200), np.array(k_weighting(22_050))
    cut, whole = (
        gauged(native.Gauge(weighting, 22_050, TAPS, 0.5), signal, spans)
        for spans in ([block_spans] * (300 // block_spans), [300])
    )
    for part, same in zip(cut, whole, strict=True):
        np.testing.assert_array_equal(part, same)
    powers, _, hops = cut
    behind = sosfilt(np.insert(weighting, 3, 1, axis=1), signal.astype(float))
    squares = (behind**2).sum(axis=0)
    expected = squares.reshape(300, SPAN).mean(axis=1)
    np.testing.assert_array_max_ulp(powers, expected.astype(np.float32), 1)
    np.testing.assert_allclose(hops, squares[:17_640].reshape(8, 2205).mean(axis=1), rtol=1e-10)


@quickly
@given(SEEDS, ROWS, SPANS, st.floats(0, 1, width=32))
def test_a_reach_is_the_greatest_sample_and_second_difference_near_a_span(
    seed, rows, spans, weight
):
    """Of the span before each; the first one lies in silence."""
    signal = noise(seed, rows, sum(spans) * SPAN)
    gauge = native.Gauge(np.zeros((2, 5)), 441.0, TAPS, weight)
    _, reaches, _ = gauged(gauge, signal, spans)
    late = np.pad(signal, ((0, 0), (SPAN, 0)))
    near = [late[:, s : s + 98] for s in range(0, signal.shape[1], SPAN)]
    expected = [
        np.abs(x[:, :96]).max(axis=1)
        + np.float32(weight)
        * np.abs((x[:, :-2] + x[:, 2:]) - (x[:, 1:-1] + x[:, 1:-1])).max(axis=1)
        for x in near
    ]
    expected = np.array(expected, np.float32).reshape(len(near), rows).max(axis=1)
    np.testing.assert_array_equal(reaches, expected * np.float32(1 + 1e-5))


@quickly
@given(SEEDS, ROWS, SPANS)
def test_a_peak_is_the_greatest_of_the_tops_that_the_reaches_allow(seed, rows, spans):
    """With a weight that rules none out; checked by `span_tops`."""
    signal = noise(seed, rows, sum(spans) * SPAN)
    gauge = native.Gauge(np.zeros((2, 5)), 441.0, TAPS, 100.0)
    gauged(gauge, signal, spans)
    late = np.pad(signal, ((0, 0), (SPAN, 0)))
    numbers = np.arange(sum(spans))
    tops = [native.span_tops(row, numbers, TAPS).max(initial=0) for row in late]
    assert gauge.peak == max(tops)


def test_a_gauge_refuses_what_does_not_fit():
    gauge = native.Gauge(np.zeros((2, 5)), 441.0, TAPS, 0.5)
    with pytest.raises(ValueError, match="3 rows: at most 2"):
        gauge.measure(noise(1, 3, SPAN))
    with pytest.raises(ValueError, match="100 samples are no multiple of 64"):
        gauge.measure(noise(1, 2, 100))


@quickly
@given(SEEDS, st.lists(st.integers(0, 4), max_size=8))
def test_tops_are_the_greatest_of_samples_and_three_filters_over_a_span(seed, spans):
    """The last window ends with the row, 31 samples behind the last span. Checked by numpy."""
    row, taps = noise(seed, 5 * SPAN + 31), noise(seed + 1, 3, 32) / 8
    points = [np.correlate(row.astype(float), phase, "valid") for phase in taps]
    expected = np.abs([row[15:-16], *points]).reshape(4, 5, SPAN).max(axis=(0, 2))[spans]
    tops = native.span_tops(row, np.array(spans, np.int64), taps)
    np.testing.assert_allclose(tops, expected, rtol=1e-5)


@quickly
@given(
    SEEDS, ROWS, st.lists(st.tuples(st.integers(-400, 400), st.sampled_from([0, 0.5, 1, 2, -1])))
)
@example(1, 2, [(-9, 1), (-3, 2), (50, 2), (50, 0.5), (120, 0.5), (199, 1), (200, 0), (300, 2)])
@example(2, 1, [(0, 1), (0, 0), (100, 1), (150, 1)])
def test_a_curve_runs_straight_from_corner_to_corner_and_then_level(seed, rows, corners):
    """Checked by np.interp; of two corners at one time the later one holds from there on."""
    corners = [(-500, 1), *sorted(corners, key=lambda corner: corner[0])]
    times, levels = (np.array(column) for column in zip(*corners, strict=True))
    block = noise(seed, rows, 200)
    expected = block * np.interp(np.arange(200), times, levels)
    native.follow_curve(block, times.astype(np.int64), levels.astype(np.float32))
    np.testing.assert_allclose(block, expected, rtol=1e-6, atol=2e-6)


@given(st.integers(1, 40), st.integers(1, 40))
def test_a_curve_is_the_same_bits_wherever_a_block_begins(first, second):
    times = np.array([0, 700, 901, 2_400], np.int64)
    levels = np.array([1.0, 1.0, 0.37, 0.0], np.float32)
    whole = np.random.default_rng(4).standard_normal((2, 41 * SPAN)).astype(np.float32)
    pieces = whole.copy()
    native.follow_curve(whole, times, levels)
    edges = sorted({0, first * SPAN, second * SPAN, 41 * SPAN})
    for start, end in pairwise(edges):
        piece = np.ascontiguousarray(pieces[:, start:end])
        near = slice(max(0, int(np.searchsorted(times, start, "right")) - 1), None)
        native.follow_curve(piece, times[near] - start, levels[near])
        np.testing.assert_array_equal(piece, whole[:, start:end])


PACES = st.floats(0.001, 0.3)


@quickly
@given(
    *(PACES, PACES, PACES, st.floats(0, 1)),
    *(st.integers(-1, 40), st.integers(-40, 40), st.integers(0, 60), st.integers(1, 120)),
)
@example(0.01, 0.2, 0.3, 0.0, 20, -5, 60, 100)  # choked later, falling later, all silent at last
@example(0.01, 0.01, 0.3, 0.2, -1, 0, 60, 90)  # let go, it is louder than it would have been
def test_release_gains_are_differences_of_two_levels_in_whole_steps(
    let_go, choked, decay, sustained, choked_after, fallen, longest, inaudible
):
    depth, expected = 100, []
    gains = noise(1, 2 * depth + 1)

    def held(block):
        return max(sustained, 1 - decay * max(0, block + fallen))

    for block in range(longest):
        before = block if choked_after < 0 else min(block, choked_after)
        level = held(0) - let_go * before - choked * (block - before)
        levels = [np.floor(depth * (1 - each)) for each in (level, held(block))]
        below = int(levels[0] - levels[1]) if level > 0 else depth
        if below >= inaudible:
            break
        expected.append(gains[depth + below])
    found = native.release_gains(
        native.Fall(let_go, choked, decay, sustained),
        choked_after=choked_after,
        fallen=fallen,
        longest=longest,
        inaudible=inaudible,
        gains=gains,
    )
    np.testing.assert_array_equal(found, [*expected, gains[-1]])


LENGTH = 256


def room(seed: int, now: int = 0, still: int = 1 << 20) -> native.Network:
    """Return delays from the least to the greatest, gains that die away, and levels."""
    delays = np.random.default_rng(seed).integers(65, LENGTH + 1, 12, np.int32)
    delays[:2] = delays[9:11] = 65, LENGTH
    delays[8] -= 1  # this one may be 64
    lines, clock = np.zeros((12, LENGTH + 2 * SPAN), np.float32), np.array([now, 0])
    gains, levels = noise(seed, 8) / 3, noise(seed + 1, 2)
    return native.Network(lines, delays, gains, levels, clock, still, 0.3, diffusion=0.5)


def biquads(rng: np.random.Generator, count: int) -> np.ndarray:
    radius, angle = rng.uniform(0, 0.98, count), rng.uniform(0, np.pi, count)
    poles = np.stack([-2 * radius * np.cos(angle), radius**2], axis=-1)
    return np.hstack([rng.standard_normal((count, 3)), poles])


def console(seed: int) -> Console:
    rng = np.random.default_rng(seed)
    return Console(biquads(rng, 4), rng.standard_normal((4, 2)), room(seed))


def on_desk(
    signal: np.ndarray,
    cuts: np.ndarray,
    states: np.ndarray,
    network: native.Network,
    block_frames: int = 640,
) -> np.ndarray:
    made = []
    for start in range(0, signal.shape[1], block_frames):
        made.append(np.full((2, block_frames), np.nan, np.float32))
        block = signal[:, start : start + block_frames].copy()
        native.desk(Console(cuts, states, network), block, made[-1])
    return np.hstack(made)


@settings(max_examples=4)
@given(SEEDS, st.integers(0, 99))
def test_a_desk_cuts_and_rings_a_network_of_delays_whatever_the_blocks(seed, spans_before):
    """Outside check: scipy.signal, sosfilt and lfilter; then plain recursion in double precision.

    The rings wrap round three times.
    """
    rng = np.random.default_rng(seed)
    signal, cuts, before = noise(seed, 3, 640), biquads(rng, 4), rng.standard_normal((4, 2))
    cuts[2:, :3] /= 8
    sos = np.insert(cuts, 3, 1, axis=1)[:, None]
    middle, side, send = (sosfilt(sos[i], signal[i], zi=before[i, None])[0] for i in range(3))
    send = sosfilt(sos[3], send, zi=before[3, None])[0]
    network = room(seed, spans_before * SPAN)
    gains, levels = (part.astype(float) for part in network[2:4])
    for delay in network.delays[9:]:
        turned = np.zeros(delay + 1)
        turned[0], turned[-1] = network.diffusion, 1
        send = lfilter(turned, turned[::-1], send)
    send = np.hstack([np.zeros(network.delays[8]), send])
    matrix = np.roll(np.eye(8) - 2 / 8, 1, axis=0)
    expected = np.array([middle + side, middle - side])
    lines = np.zeros((8, LENGTH + 640))
    late = LENGTH - network.delays[:8]
    for i in range(640):
        leaving = lines[np.arange(8), late + i], lines[np.arange(8), late + i + 1]
        left = gains * (leaving[0] + network.dulling * leaving[1])
        lines[:, LENGTH + i] = send[i] + matrix @ left
        expected[:, i] += levels * (hadamard(8)[[1, 2]] @ left)
    states = before.copy()
    whole = on_desk(signal, cuts, states, network)
    np.testing.assert_allclose(whole, expected, rtol=1e-5, atol=1e-5 * np.abs(expected).max())
    again, states_again = room(seed, spans_before * SPAN), before.copy()
    np.testing.assert_array_equal(on_desk(signal, cuts, states_again, again, 64), whole)
    np.testing.assert_array_equal(states_again, states)
    np.testing.assert_array_equal(again.lines, network.lines)
    np.testing.assert_array_equal(again.clock, [(spans_before + 10) * SPAN, 0])


@pytest.mark.parametrize("block_frames", [64, 640])
def test_a_room_is_still_after_so_much_silence_and_rings_again(block_frames):
    """One sound, 256 samples of silence, and the lines are empty: the next rings as the first."""
    cuts = np.zeros((4, 5))
    cuts[:, 0] = 1
    signal = np.zeros((3, 640), np.float32)
    signal[2, 5], signal[2, 325] = 1, 1
    network = room(3, still=256)
    left, right = on_desk(signal, cuts, np.zeros((4, 2)), network, block_frames)
    assert left[300:320].any()
    assert right[300:320].any()
    for side in (left, right):
        np.testing.assert_array_equal(side[320:], side[:320])
    assert not network.lines.any()
    np.testing.assert_array_equal(network.clock, [640, 256])


@quickly
@given(SEEDS, st.integers(0, 3), st.integers(1, 9), st.integers(0, 10))
def test_what_is_mixed_through_desks_is_what_is_mixed_and_then_taken_through_them(
    seed, signals, spans_between, spans
):
    """The same bits; a few samples go from one to the other at a time, fewer at last."""
    rng, frames, start = np.random.default_rng(seed), 10 * SPAN, 1000
    recording = rng.integers(-99, 99, (2, 500), np.int16)
    firsts = np.sort(rng.integers(start - 500, start + frames, 5))
    sides = recording[0].ctypes.data, recording[1].ctypes.data
    notes = b"".join(packed_sounding(*sides, first, 500, 0, 0, 0, 0, 1, 0) for first in firsts)
    times, levels = np.array([0, 200]), np.array([0.2, 0.9], np.float32)
    strips = [
        Strip(Dry(notes, times, levels, kept=recording), 0.5, 0.25, 2.0, 1),
        Strip(Dry(ready=noise(seed, 2, frames)), 1.0, -1.0, 0.5, 2),
    ]
    mixed = np.empty((signals, 3, frames), np.float32)
    native.mix(strips, start, mixed)
    expected, made = (np.full((signals, 2, frames), np.nan, np.float32) for _ in range(2))
    until = spans * SPAN
    for n in range(signals):
        native.desk(console(seed + n), mixed[n], expected[n])
    expected[:, :, until:] = np.nan  # nothing is made there
    consoles = [console(seed + n) for n in range(signals)]
    between = np.empty((signals, 3, spans_between * SPAN), np.float32)
    if signals:
        native.mix_through(strips, start, consoles, between, list(made), until)
    np.testing.assert_array_equal(made, expected)


def test_desks_signals_and_blocks_are_as_many():
    with pytest.raises(ValueError, match="1 desks, 2 signals and 1 blocks differ"):
        native.mix_through([], 0, [console(1)], noise(1, 2, 3, 64), [noise(1, 2, 64)])


def test_what_dies_away_in_a_desk_is_gone_before_it_is_too_small_to_count_with():
    """Poles at a half: 2 ** -64 is kept after 64 samples, 2 ** -128 would be below 1e-30."""
    cuts, states = np.zeros((4, 5)), np.zeros((4, 2))
    cuts[:, 3], states[:, 0] = -0.5, 1
    silence, network = np.zeros((3, 64), np.float32), room(1)
    on_desk(silence, cuts, states, network, 64)
    np.testing.assert_array_equal(states, [[2.0**-64, 0]] * 4)
    on_desk(silence, cuts, states, network, 64)
    assert not states.any()


def test_a_desk_takes_whole_spans_alone():
    with pytest.raises(ValueError, match="100 samples are no multiple of 64"):
        native.desk(console(1), noise(1, 3, 100), noise(1, 2, 100))
    for some, frames in ((64, 100), (100, 64)):
        with pytest.raises(ValueError, match="100 samples are no multiple of 64"):
            native.mix_through([], 0, [console(1)], noise(1, 1, 3, some), [noise(1, 2, frames)])
    block = noise(1, 2, 128)
    for until, told in ((100, "no multiple of 64"), (192, "192 is no place in 128 samples")):
        with pytest.raises(ValueError, match=told):
            native.mix_through([], 0, [console(1)], noise(1, 1, 3, 64), [block], until)


@quickly
@given(SEEDS, ROWS, FRAMES, st.floats(0, 60_000, width=32))
@example(1, 2, 100, 60_000.0)  # past full scale on both sides
@example(2, 2, 100, 4.0)  # many halves, which go to the even side
def test_sixteen_bits_are_the_nearest_and_stop_at_full_scale(seed, rows, frames, factor):
    block = np.rint(8 * noise(seed, rows, frames)) / 8
    expected = np.rint(block * np.float32(factor)).clip(-32768, 32767)
    np.testing.assert_array_equal(native.quantised(block, factor), expected)


@quickly
@given(SEEDS, FRAMES, LEVELS)
def test_sides_are_interleaved_times_gain(seed, frames, gain):
    block = noise(seed, 2, frames)
    np.testing.assert_array_equal(native.interleaved(block, gain), (block * np.float32(gain)).T)


@quickly
@given(SEEDS, st.integers(0, 2**33), BORDERS)
def test_pcm_is_within_one_step_and_a_half_and_the_same_bits_whatever_the_blocks(
    seed, start, borders
):
    """One step of dither and half of one of rounding; single precision adds a 256th near 2^15."""
    block = np.random.default_rng(seed).uniform(-0.4999, 0.4999, (2, 300)).astype(np.float32)
    pcm = native.to_pcm16(block, 2.0, start)
    assert np.abs(pcm - 2 * 32767 * block.T.astype(float)).max() <= 1.5 + 1 / 256
    starts, parts = [0, *borders], np.split(block, borders, axis=1)
    cut = [native.to_pcm16(p, 2.0, start + s) for p, s in zip(parts, starts, strict=True)]
    np.testing.assert_array_equal(np.concatenate(cut), pcm)


@quickly
@given(SEEDS, FRAMES, st.integers(0, 2**33))
def test_pcm_along_a_curve_is_that_of_the_signal_that_follows_it(seed, frames, start):
    """The same bits, at any gain: a track is no other where it is written in two steps."""
    block = noise(seed, 2, frames) / 4
    corners = np.random.default_rng(seed).choice(
        np.array([0, 0.5, 1], np.float32), -(-frames // SPAN) + 1
    )
    followed = block * np.float32(0.7)
    native.follow_curve(followed, SPAN * np.arange(len(corners)), corners)
    pcm = native.to_pcm16(block, 0.7, start, corners)
    np.testing.assert_array_equal(pcm, native.to_pcm16(followed, 1.0, start))
    with pytest.raises(ValueError, match="corners for"):
        native.to_pcm16(block, 0.7, start, corners[:-1])


@pytest.mark.parametrize("level_steps", [0.0, 0.25, 0.5, -100.3])
def test_the_error_of_pcm_is_that_of_triangular_dither(level_steps):
    """No mean, a variance of 1/4 whatever the level, and white.

    Two even spreads of one step give 2/12, rounding 1/12 more, which such dither makes
    independent (Lipshitz, Wannamaker and Vanderkooy 1992). Of 65,536 errors the mean is known to
    0.002, the variance to 0.003, of half of them a correlation to 0.006.
    """
    level = np.full((2, 1 << 15), level_steps / 32767, np.float32)
    error = native.to_pcm16(level, 1.0, 7) - level_steps
    assert error.mean() == pytest.approx(0, abs=0.01)
    assert error.var() == pytest.approx(1 / 4, abs=0.015)
    neighbours = np.corrcoef([*error[:-1].T, *error[1:].T])
    assert np.abs(neighbours - np.eye(4)).max() < 0.03


def test_pcm_of_silence_is_dither_alone_and_stops_at_full_scale():
    """A triangle two steps wide, rounded: an eighth of it lies beyond half a step on each side."""
    steps, counts = np.unique(
        native.to_pcm16(np.zeros((2, 1 << 15), np.float32), 1.0, 0), return_counts=True
    )
    np.testing.assert_array_equal(steps, [-1, 0, 1])
    np.testing.assert_allclose(counts / (1 << 16), [1 / 8, 3 / 4, 1 / 8], atol=0.01)
    loud = np.array([[1.0] * 500, [-1.0] * 500], np.float32)
    np.testing.assert_array_equal(native.to_pcm16(loud, 1.5, 0), [[32767, -32768]] * 500)


@given(st.lists(st.floats(0, 70_000, width=32), max_size=100))
@example([0.0, 2.0**-149, 2.0**-25, 1.5 * 2.0**-24, 2.0**-14, 65_504.0, 65_519.0, 65_520.0])
def test_halves_are_the_nearest_or_the_next_above(values):
    """Outside check: the half precision of numpy, which rounds as IEEE 754 says."""
    values = np.array(values, np.float32)
    near, above = np.empty((2, len(values)), np.float16)
    native.halves(values, near)
    native.halves(values, above, up=True)
    with np.errstate(over="ignore"):  # what is too great is infinite
        expected = values.astype(np.float16)
        too_low = expected < values
        expected_above = np.where(too_low, np.nextafter(expected, np.float16(np.inf)), expected)
    np.testing.assert_array_equal(near, expected)
    np.testing.assert_array_equal(above, expected_above)


def test_halves_need_room():
    with pytest.raises(ValueError, match=r"\(3,\) values do not fit into \(2,\)"):
        native.halves(np.zeros(3, np.float32), np.zeros(2, np.float16))


def follow(block):
    native.follow_curve(block, np.array([0, 50], np.int64), np.array([0, 2], np.float32))
    return block


BIQUADS = np.array([[[1.0, 0.5, 0.25, -0.5, 0.25]]] * 2)


def gauge(block):
    return np.concatenate(native.Gauge(BIQUADS[:, 0], 3000.0, TAPS, 0.5).measure(block))


@given(
    st.lists(st.floats(-60, 0, width=32), max_size=200),
    st.floats(0.001, 30),
    st.booleans(),
)
def test_a_slope_is_limited_to_the_lowest_line_through_what_came_before(values, step, backwards):
    """Every value lies on or under all lines that rise by a step a place from those before it."""
    given_values = np.array(values, np.float32)
    limited = given_values.copy()
    native.limit_slope(limited[::-1] if backwards else limited, step)
    if backwards:
        given_values, limited = given_values[::-1], limited[::-1]
    for place, value in enumerate(limited):
        lines = given_values[: place + 1] + step * np.arange(place, -1, -1)
        assert value == pytest.approx(lines.min(), rel=1e-6, abs=1e-6)


BLOCK_LOOPS = {
    "measure": gauge,
    "span_heights": native.span_heights,
    "follow_curve": follow,
    "interleaved": lambda block: native.interleaved(block, 0.5),
    "quantised": lambda block: native.quantised(block, 9000.0),
    "to_pcm16": lambda block: native.to_pcm16(block, 0.5, 3),
}


@pytest.mark.parametrize("loop", BLOCK_LOOPS.values(), ids=BLOCK_LOOPS)
def test_a_view_with_gaps_between_its_rows_does_as_well(loop):
    block = noise(1, 2, 640)
    wide = np.full((2, 649), np.nan, np.float32)
    view = wide[:, 4:-5]
    view[:] = block
    np.testing.assert_array_equal(loop(view), loop(block))
    assert np.isnan(wide[:, :4]).all()
    assert np.isnan(wide[:, -5:]).all()


@pytest.mark.parametrize(
    "loop",
    [
        *BLOCK_LOOPS.values(),
        lambda block: native.mix([Strip(Dry(ready=block), 1, 1, 1)], 0, noise(1, 1, 3, 640)),
        lambda block: native.mix([], 0, noise(1, 1, 3, 1280)[:, :, ::2]),
        lambda block: native.span_tops(block[0], np.array([0], np.int64), noise(1, 3, 32)),
        lambda block: native.desk(console(1), block, noise(1, 2, 640)),
        lambda block: native.mix_through([], 0, [console(1)], noise(1, 1, 3, 64), [block]),
    ],
    ids=[*BLOCK_LOOPS, "mix", "mix to", "span_tops", "desk", "mix_through"],
)
def test_samples_that_are_no_neighbours_are_refused(loop):
    told = "last axis of an array is not contiguous|rows of an array have gaps"
    with pytest.raises(ValueError, match=told):
        loop(noise(1, 2, 1280)[:, ::2])


@pytest.mark.parametrize(
    ("layout", "kinds", "values"),
    [
        (native._SOUNDING, "PPqqPqPqfi", (1, 2, 3, 4, 5, -6, 7, -8, 0.5, 9)),
        (native._STRIP, "PqPPqQfffi", (1, 2, 3, 4, 5, 6, 0.5, -0.5, 0.25, 7)),
        (native._CONSOLE, "PPPqPPPPqff", (*range(1, 10), 0.5, 0.25)),
        (native._INSTRUMENT, 10 * "P" + "q", tuple(range(1, 12))),
        (native._IMPRESSION, "ffiq", (0.5, 0.25, 1, 2)),
    ],
)
def test_what_is_packed_lies_where_c_looks_for_it(layout, kinds, values):
    """Outside check: ctypes.Structure, which lays fields out as the platform's C does."""
    types = {"P": ctypes.c_void_p, "q": ctypes.c_int64, "f": ctypes.c_float, "i": ctypes.c_int32}
    types["Q"] = ctypes.c_uint64
    names = [f"field_{i}" for i in range(len(kinds))]
    fields = [(name, types[kind]) for name, kind in zip(names, kinds, strict=True)]
    in_c = type("InC", (ctypes.Structure,), {"_fields_": fields})
    assert layout.size == ctypes.sizeof(in_c)
    read = in_c.from_buffer_copy(layout.pack(*values))
    assert tuple(getattr(read, name) for name in names) == values


def test_every_loop_is_called_with_the_types_that_its_source_has():
    """Python's side of a call is written by hand; what it gets wrong nothing else would say."""
    files = sorted(Path(native.__file__).parent.glob("*.[ch]"))
    source = "".join(file.read_text(encoding="utf-8") for file in files)
    types = {"float": ctypes.c_float, "int32_t": ctypes.c_int32, "int64_t": ctypes.c_int64}
    types["double"] = ctypes.c_double
    takes, gives = {}, {}
    for given_back, name, parameters in re.findall(r"EXPORT (\w+) (\w+)\(([^)]*)\)", source):
        takes[name] = tuple(
            ctypes.c_void_p if "*" in parameter else types[parameter.split()[0]]
            for parameter in parameters.split(",")
        )
        gives[name] = types.get(given_back)
    assert takes == native._TAKES
    assert {name: kind for name, kind in gives.items() if kind} == native._GIVES


@pytest.fixture
def not_loaded_yet():
    native._library.cache_clear()
    yield
    native._library.cache_clear()


TELLS = r"kernels\.(so|dll): .* absent or of another version; install chartbed again"


@pytest.mark.parametrize("content", [None, b"no library"])
def test_an_absent_or_broken_library_is_told(tmp_path, monkeypatch, not_loaded_yet, content):
    monkeypatch.setattr(native, "__file__", str(tmp_path / "__init__.py"))
    for name in ("kernels.so", "kernels.dll") if content else ():
        (tmp_path / name).write_bytes(content)
    with pytest.raises(MissingToolError, match=re.escape(str(tmp_path)) + ".*" + TELLS):
        native.span_heights(np.zeros((1, SPAN), np.float32))


def test_a_library_of_an_older_version_is_told(monkeypatch, not_loaded_yet):
    monkeypatch.setattr(ctypes, "CDLL", lambda path: SimpleNamespace(place=SimpleNamespace()))
    with pytest.raises(MissingToolError, match=TELLS):
        native.span_heights(np.zeros((1, SPAN), np.float32))
