"""The clock against the arithmetic of the MIDI file and against mido's own reading."""

import io
from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from generator.clock import Clock, TempoPoint, microseconds_per_quarter, ticks

tempo_lists = st.lists(
    st.tuples(st.integers(1, 20_000), st.integers(150_000, 3_000_000)), min_size=1, max_size=12
)


def clock_of(steps):
    """Build a clock from (gap in ticks, microseconds a quarter) pairs."""
    points, tick = [], 0
    for gap, us in steps:
        points.append(TempoPoint(tick, us))
        tick += gap
    return Clock(tuple(points))


@given(tempo_lists, st.integers(0, 200_000))
def test_tick_and_seconds_are_inverse(steps, tick):
    clock = clock_of(steps)
    assert clock.tick(clock.seconds(tick)) == tick


@given(tempo_lists, st.lists(st.integers(-2000, 200_000), max_size=20))
def test_many_ticks_at_once_are_the_samples_of_each(steps, ticks):
    clock = clock_of(steps)
    assert clock.samples_of(ticks, 44_100) == [clock.samples(tick, 44_100) for tick in ticks]


@given(tempo_lists)
def test_seconds_agree_with_mido(steps):
    """Outside check: mido computes the same times from the written file (mido 1.3)."""
    clock = clock_of(steps)
    track = mido.MidiTrack()
    now = 0
    for point in clock.tempos:
        message = mido.MetaMessage("set_tempo", tempo=point.us_per_quarter, time=point.tick - now)
        track.append(message)
        now = point.tick
    track.append(mido.Message("note_on", note=60, time=777))
    buffer = io.BytesIO()
    mido.MidiFile(type=1, ticks_per_beat=960, tracks=[track]).save(file=buffer)
    buffer.seek(0)
    assert mido.MidiFile(file=buffer).length == pytest.approx(clock.seconds(now + 777), abs=1e-9)


def test_whole_microseconds_are_rounded_not_cut():
    """98 quarters a minute are 612,244.897 us (hand arithmetic)."""
    assert microseconds_per_quarter(98) == 612_245
    assert microseconds_per_quarter(Fraction(105)) == 571_429


def test_triplets_fall_on_the_nearest_tick():
    assert [ticks(Fraction(n, 3)) for n in range(4)] == [0, 320, 640, 960]
    assert ticks(Fraction(1, 7)) == 137


@pytest.mark.parametrize(
    ("tempos", "message"),
    [
        ((), "must stand at tick 0"),
        ((TempoPoint(5, 500_000),), "must stand at tick 0"),
        ((TempoPoint(0, 500_000), TempoPoint(0, 400_000)), "out of order at tick 0"),
    ],
)
def test_a_wrong_list_of_tempos_is_refused(tempos, message):
    with pytest.raises(ValueError, match=message):
        Clock(tempos)
