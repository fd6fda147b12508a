"""Numbers drawn by hash: spread as they say they are, and alone in what they depend on."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import irwinhall, kstest

from generator.band.drawn import ONE_SIGMA, key_of, near_normal


@pytest.fixture(scope="module")
def drawn():
    keys = [key_of(f"{seed}/comp/touch") for seed in range(100)]
    return np.array([[near_normal(key, 40 * n) / ONE_SIGMA for n in range(200)] for key in keys])


def test_they_are_a_sum_of_three_even_ones(drawn):
    """Against the Irwin-Hall distribution of scipy, of mean 0 and standard deviation 1."""
    assert kstest(drawn.ravel(), irwinhall(3, loc=-3, scale=2).cdf).pvalue > 0.01
    assert abs(drawn.mean()) < 0.03
    assert drawn.std() == pytest.approx(1, abs=0.02)


def test_neighbours_and_keys_have_nothing_in_common(drawn):
    noise = 4 / np.sqrt(drawn.size)  # four standard deviations of a correlation of nothing
    for lag in (1, 2, 4, 8):
        assert abs(np.mean(drawn[:, lag:] * drawn[:, :-lag])) < noise
        assert abs(np.mean(drawn[lag:] * drawn[:-lag])) < noise


@given(st.text(max_size=8), st.integers(0, 1 << 40))
def test_they_are_the_same_each_time_and_never_above_three(text, place):
    number = near_normal(key_of(text), place)
    assert number == near_normal(key_of(text), place)
    assert abs(number) <= 3 * ONE_SIGMA
