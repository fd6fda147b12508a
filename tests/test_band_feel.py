"""Swing, habit and spread of the band's timing.

Sources: Friberg and Sundstrom 2002 (swing ratio falls with tempo, the short note stays near
100 ms); Senn et al. 2016 (small deviations do not hurt). The limits of 15 ms and of a spread of 4
to 8 ms are our reading of them; that kick and bass stay within 10 ms is common practice.
"""

import statistics
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from generator.band.feel import Groove, Swing, VoiceTiming, swing_share
from generator.chart.model import Feel
from generator.chart.parser import parse_chart
from generator.clock import TICKS_PER_QUARTER as QUARTER
from generator.clock import microseconds_per_quarter
from generator.timeline.build import build_timeline

THIRDS = Swing(share=Fraction(2, 3))


def timeline(bars="| C | F | G7 | C |", time="4/4", tempo="q=120", feel=""):
    feel_line = f"Feel: {feel}\n" if feel else ""
    text = f"Title: T\nKey: C\nTime: {time}\nTempo: {tempo}\n{feel_line}[A] mf\n{bars}\n"
    return build_timeline(parse_chart(text, "feel.chart"), count_in_bars=0)


def test_a_swing_of_two_to_one_puts_sixteenths_on_the_triplets():
    groove = Groove(timeline(), THIRDS, {}, 1)
    beat = [groove.warp(tick) for tick in range(0, QUARTER + 1, QUARTER // 4)]
    assert beat == [0, 320, 640, 800, 960]


def test_sixteenths_swing_within_each_half_beat():
    groove = Groove(timeline(), Swing(Fraction(1, 4), Fraction(3, 5)), {}, 1)
    assert [groove.warp(tick) for tick in (0, 240, 480, 720)] == [0, 288, 480, 768]


def test_a_beat_that_is_no_pair_of_swung_notes_stays_straight():
    """In 7/8 (2+2+3) the last beat holds three eighths, in 6/8 every beat does."""
    groove = Groove(timeline(time="7/8 (2+2+3)"), THIRDS, {}, 1)
    assert groove.warp(480) == 640
    assert [groove.warp(tick) for tick in (1920, 2400, 2880)] == [1920, 2400, 2880]
    groove = Groove(timeline(time="6/8"), THIRDS, {}, 1)
    assert [groove.warp(tick) for tick in (480, 960, 1440)] == [480, 960, 1440]


@pytest.mark.parametrize(
    ("quarter_bpm", "ratio"),
    # (beat_ms - 100) / 100 within 1 and 2.5, worked out by hand
    [(60, 2.5), (150, 3.0), (200, 2.0), (240, 1.5), (300, 1.0), (380, 1.0)],
)
def test_the_ratio_by_tempo_holds_the_short_note_near_100_ms(quarter_bpm, ratio):
    share = swing_share(Swing(share=None), microseconds_per_quarter(quarter_bpm))
    assert float(share / (1 - share)) == pytest.approx(min(ratio, 2.5), rel=0.02)


def test_the_feel_of_the_chart_goes_before_the_style():
    assert Groove(timeline(feel="straight"), THIRDS, {}, 1).warp(480) == 480
    assert Groove(timeline(feel="swing 60%"), THIRDS, {}, 1).warp(480) == 576
    assert THIRDS.or_feel(None) == THIRDS
    assert THIRDS.or_feel(Feel(swing=True)).share is None


@given(
    st.integers(0, 4 * 4 * QUARTER - 1),
    st.integers(1, 4 * QUARTER),
    st.sampled_from([Swing(), THIRDS, Swing(Fraction(1, 4), Fraction(7, 10)), Swing(share=None)]),
)
def test_the_bent_grid_keeps_the_order_and_the_bar_lines(tick, further, swing):
    groove = Groove(timeline(), swing, {}, 1)
    assert groove.warp(tick) <= groove.warp(tick + further)
    bar = tick // (4 * QUARTER) * 4 * QUARTER
    assert groove.warp(bar) == bar


@settings(max_examples=60)
@given(
    st.integers(0, 4 * 4 * QUARTER - 1),
    st.integers(20, 400),
    st.floats(-8, 8),
    st.floats(0, 8),
    st.integers(0, 99),
)
def test_no_note_leaves_the_grid_by_more_than_15_ms(tick, bpm, offset_ms, spread_ms, seed):
    track = timeline(tempo=f"q={bpm}")
    groove = Groove(track, THIRDS, {"snare": VoiceTiming(offset_ms, spread_ms)}, seed)
    struck = groove.strike("snare", tick)
    off_s = track.clock.seconds(struck) - track.clock.seconds(groove.warp(tick))
    assert abs(off_s) <= 0.015
    assert struck == groove.strike("snare", tick)


def _deviations_ms(groove, voice, n=4000):
    clock = groove.timeline.clock
    ticks = range(10, 10 + n * 3, 3)
    return [1000 * clock.seconds(groove.strike(voice, t) - t) for t in ticks]


def test_the_spread_is_human_and_the_mean_is_on_the_beat():
    groove = Groove(timeline("| C " * 8 + "|", tempo="q=60"), Swing(), {}, 3)
    deviations = _deviations_ms(groove, "hat")
    assert abs(statistics.mean(deviations)) < 0.6
    assert 4 <= statistics.pstdev(deviations) <= 6


def test_kick_and_bass_breathe_together():
    groove = Groove(timeline("| C " * 8 + "|"), Swing(), {}, 3)
    kick, bass = _deviations_ms(groove, "kick"), _deviations_ms(groove, "bass")
    together = [abs(a - b) <= 10 for a, b in zip(kick, bass, strict=True)]
    assert statistics.mean(together) >= 0.95
    assert kick != bass


def test_what_ends_a_silence_never_comes_early():
    track = timeline("| C r C r | C^ r N.C. / | C r r C | " + "C r C r | " * 40)
    ends = [chord.end_tick for chord in track.chords if chord.kind != "chord"]
    assert len(ends) > 40
    for seed in range(5):
        groove = Groove(track, Swing(), {}, seed)
        assert all(groove.strike("kick", tick) >= tick for tick in (0, *ends))


def test_another_seed_is_another_performance():
    takes = {
        tuple(_deviations_ms(Groove(timeline(), Swing(), {}, seed), "hat", 50))
        for seed in range(20)
    }
    assert len(takes) == 20
