"""The statistics of a comparison against scipy, and against worked figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from canlens.measures.comparing.significance import (
    DEALS,
    benjamini_hochberg,
    conditional_p,
    doubled_p,
    exchange_p,
    proving_s,
    ratio_bounds,
)


@pytest.mark.parametrize("before", [0, 1, 5, 12, 60, 700])
@pytest.mark.parametrize("after", [0, 3, 12, 41])
@pytest.mark.parametrize("times", [(60.0, 60.0), (60.0, 37.5), (12.0, 600.0)])
def test_the_conditional_test_is_the_binomial_test_of_scipy(
    before: int, after: int, times: tuple[float, float]
) -> None:
    if before + after:
        share = times[0] / sum(times)
        expected = stats.binomtest(before, before + after, share).pvalue
        assert conditional_p(before, times[0], after, times[1]) == pytest.approx(expected, rel=1e-6, abs=1e-300)


def test_twelve_against_three_episodes_gives_the_published_figures() -> None:
    # scipy 1.17.1 binomtest and statsmodels 0.15.0 test_poisson_2indep, exact-cond
    assert conditional_p(12, 60, 3, 60) == pytest.approx(0.03516, abs=5e-6)
    assert ratio_bounds(12, 60, 3, 60) == pytest.approx((1.08, 22.1), abs=0.02)


@pytest.mark.parametrize(("before", "times"), [(12, (60.0, 60.0)), (2, (10.0, 90.0)), (0, (60.0, 60.0))])
def test_the_bounds_of_a_ratio_are_those_of_clopper_and_pearson(before: int, times: tuple[float, float]) -> None:
    low, high = stats.binomtest(before, before + 3).proportion_ci(0.95, method="exact")
    scale = times[1] / times[0]
    expected = (low / (1 - low) * scale, high / (1 - high) * scale)
    assert ratio_bounds(before, times[0], 3, times[1]) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("before", range(1, 12))
def test_none_after_in_the_same_time_has_the_chance_two_to_one_less_the_number(before: int) -> None:
    assert conditional_p(before, 60, 0, 60) == pytest.approx(2.0 ** (1 - before))
    assert doubled_p(before, 60, 0, 60) == pytest.approx(2.0 ** (1 - before))


@pytest.mark.parametrize("before", [1, 5, 6, 20])
def test_a_cure_is_proven_after_the_time_that_is_told_and_not_before(before: int) -> None:
    needed = proving_s(before, 60, level=0.05)
    assert doubled_p(before, 60, 0, needed * 1.001) < 0.05 < doubled_p(before, 60, 0, needed * 0.999)


def test_the_adjusted_chances_of_five_tests_are_the_worked_ones() -> None:
    chances = (0.001, 0.008, 0.039, 0.041, 0.2)
    assert benjamini_hochberg(chances) == pytest.approx([0.005, 0.02, 0.05125, 0.05125, 0.2])


@pytest.mark.parametrize("number", [1, 2, 59, 400])
def test_chances_are_adjusted_as_scipy_does(number: int) -> None:
    chances = np.random.default_rng(number).random(number) ** 3
    assert benjamini_hochberg(chances) == pytest.approx(stats.false_discovery_control(chances, method="bh"))


def test_no_test_at_all_is_adjusted_to_none() -> None:
    assert len(benjamini_hochberg([])) == 0


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0])
def test_exchanged_blocks_give_the_chance_of_scipys_permutation_test(shift: float) -> None:
    draw = np.random.default_rng(5)
    one, other = draw.normal(0, 1, 12), draw.normal(shift, 1, 12)
    found = stats.permutation_test(
        (one, other), lambda a, b: np.mean(b) - np.mean(a), n_resamples=DEALS, rng=np.random.default_rng(3)
    )
    own = exchange_p(np.stack([one, np.ones(12)], axis=1), np.stack([other, np.ones(12)], axis=1))
    assert own == pytest.approx(found.pvalue, abs=0.04)  # four standard errors of two draws of 9 999


def test_equal_sides_and_sides_without_weight_differ_in_nothing() -> None:
    blocks = np.ones((12, 2))
    assert exchange_p(blocks, blocks) == exchange_p(blocks, blocks * [1, 0]) == 1.0
