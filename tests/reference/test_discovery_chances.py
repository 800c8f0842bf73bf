"""The chances of a discovery against scipy, against counting all draws, and against binomial coefficients."""

from __future__ import annotations

from itertools import combinations
from math import comb

import numpy as np
import pytest
from scipy.stats import binom, hypergeom

from canlens.measures.discovering.chances import chances, different, modelled, more_exercises
from canlens.measures.outputs.coincidence import hypergeometric_tail

FLAT = np.zeros(24, np.int64)


def _slots(total: int, operated: int) -> tuple[np.ndarray, np.ndarray]:
    exercises = np.arange(total) < operated
    return exercises, ~exercises


def test_a_chance_is_the_tail_that_scipy_computes() -> None:
    random = np.random.default_rng(1)
    exercises, compared = _slots(24, 8)
    hits = random.random((200, 24)) < random.random((200, 1))
    found = chances(hits, np.zeros(200, np.int64), exercises, compared, FLAT)
    answered, total = hits[:, :8].sum(axis=1), hits.sum(axis=1)
    oracle = hypergeom.sf(answered - 1, 24, total, 8)  # scipy.stats.hypergeom, 1.13 and later
    np.testing.assert_allclose(found.single, oracle, rtol=1e-9)
    assert found.answered.tolist() == answered.tolist()
    assert found.stray.tolist() == (total - answered).tolist()


def test_chances_of_two_states_of_the_vehicle_are_those_of_scipy_added_up() -> None:
    random = np.random.default_rng(2)
    stratum = np.repeat([0, 1], [14, 10])
    exercises = np.zeros(24, bool)
    exercises[[0, 3, 5, 9, 14, 17, 20]] = True
    hits = random.random((100, 24)) < random.random((100, 1))
    found = chances(hits, np.zeros(100, np.int64), exercises, ~exercises, stratum)
    for row, single in zip(hits, found.single, strict=True):
        masses = np.ones(1)
        for state in (0, 1):
            own = stratum == state
            operated = int((own & exercises).sum())
            counts = np.arange(operated + 1)
            masses = np.convolve(masses, hypergeom.pmf(counts, int(own.sum()), int(row[own].sum()), operated))
        assert single == pytest.approx(masses[int(row[exercises].sum()) :].sum(), rel=1e-9)


def test_a_perfect_answer_has_the_chance_of_one_draw() -> None:
    # one over the binomial coefficient: only one of all draws picks just these slots
    for slots, operated in ((16, 6), (20, 4), (24, 8), (30, 10), (40, 7)):
        assert hypergeometric_tail(slots, operated, operated, operated) == pytest.approx(1 / comb(slots, operated))


@pytest.mark.parametrize(
    ("places", "least"),
    [
        (64, {16: 6, 20: 5, 24: 4, 30: 4, 40: 3}),
        (640, {20: 7, 24: 6, 30: 5, 40: 4}),
        (6400, {24: 8, 30: 7, 40: 5}),
        (64000, {30: 9, 40: 7}),
    ],
)
def test_the_fewest_exercises_follow_from_binomial_coefficients(places: int, least: dict[int, int]) -> None:
    for slots, expected in least.items():
        needed = next(n for n in range(1, slots) if comb(slots, n) >= places / 0.01)
        ours = next(n for n in range(1, slots) if hypergeometric_tail(slots, n, n, n) * places <= 0.01)
        assert ours == needed == expected


def test_more_exercises_are_as_many_as_bring_the_tail_of_scipy_below_the_level() -> None:
    for places, exercises, rests, answered, stray in ((6400, 0, 0, 0, 0), (2000, 5, 10, 5, 0), (2000, 8, 16, 6, 0)):
        more = more_exercises(
            places=places, exercises=exercises, rests=rests, answered=answered, stray=stray, level=0.01
        )
        assert more is not None
        tails = []
        for added in (more - 1, more):
            alone = max(rests, 2 * (exercises + added))
            total = exercises + added + alone
            tails.append(hypergeom.sf(answered + added - 1, total, answered + stray + added, exercises + added))
        assert tails[1] * places <= 0.01 < tails[0] * places


def test_the_corrected_chance_bounds_how_often_any_place_does_as_well_over_all_draws() -> None:
    """Counting every draw of 4 of 11 slots: what is told as a chance is not exceeded."""
    random = np.random.default_rng(3)
    hits = random.random((60, 11)) < random.choice([0.1, 0.3, 0.6], (60, 1))
    kind = np.zeros(60, np.int64)
    told = []
    for drawn in combinations(range(11), 4):
        exercises = np.isin(np.arange(11), drawn)
        found = chances(hits, kind, exercises, ~exercises, np.zeros(11, np.int64))
        told.append(found.corrected(int(found.single.argmin())))
    for level in (0.02, 0.05, 0.1, 0.3, 0.6):
        assert np.mean(np.array(told) <= level) <= level


def test_the_correction_is_never_above_that_by_the_number_of_places() -> None:
    random = np.random.default_rng(4)
    hits = random.random((300, 24)) < random.random((300, 1)) / 2
    exercises, compared = _slots(24, 8)
    found = chances(hits, np.zeros(300, np.int64), exercises, compared, FLAT)
    for place in range(0, 300, 7):
        bonferroni = found.single[place] * 300 / 0.75  # three quarters of the error allowed are for bits
        assert found.expected(float(found.single[place]), 0) <= bonferroni * (1 + 1e-9)


def test_places_that_did_the_same_are_counted_once_and_no_others_are() -> None:
    random = np.random.default_rng(5)
    for slots in (3, 8, 24, 70, 130):
        hits = random.random((400, slots)) < 0.05
        kind = random.integers(0, 3, 400)
        rows = {(int(one), *row.tolist()) for one, row in zip(kind, hits, strict=True)}
        assert len(different(hits, kind)) == len(rows)


def test_the_chance_model_is_the_binomial_tail_of_scipy() -> None:
    hits = np.zeros((5, 8), bool)
    for row in range(5):
        hits[row, : row + 4] = True
    covered = np.array([0.01, 0.05, 0.1, 0.2, 0.3])
    everything = np.ones(8, bool)
    found = modelled(hits, np.zeros(5, np.int64), covered, everything, ~everything)
    oracle = binom.sf(np.arange(4, 9) - 1, 8, covered)  # scipy.stats.binom
    assert (found.single >= oracle * (1 - 1e-9)).all()
    assert (found.single <= binom.sf(np.arange(4, 9) - 1, 8, covered * 10 ** (1 / 200)) * (1 + 1e-9)).all()


@pytest.mark.parametrize(
    ("covered", "needed"), [(0.01, (2, 3)), (0.05, (4, 5)), (0.1, (4, 6)), (0.2, (6, 9)), (0.3, (8, 12))]
)
def test_exercises_needed_without_rest_slots_follow_from_logarithms(covered: float, needed: tuple[int, int]) -> None:
    # N of N answered by chance: c to the power of N, so N >= ln(q) / ln(c)
    assert tuple(int(np.ceil(np.log(q) / np.log(covered) - 1e-9)) for q in (1e-4, 1e-6)) == needed
    for q, count in zip((1e-4, 1e-6), needed, strict=True):
        hits = np.ones((1, count), bool)
        found = modelled(hits, np.zeros(1, np.int64), np.array([covered]), np.ones(count, bool), np.zeros(count, bool))
        assert found.single[0] == pytest.approx(covered**count, rel=0.013 * count)
        assert found.single[0] <= q * 10 ** (count / 200)
