"""How many exercises keep the chance of an error as small as is wished: the published figures, and scipy."""

from __future__ import annotations

from math import comb

import pytest
from scipy.stats import hypergeom

from canlens.errors import UsageError
from canlens.prompting.counting import chance_if_all_answer, fewest_exercises, rests_for, size_for


@pytest.mark.parametrize(
    ("places", "slots", "exercises"),
    [
        (64, 16, 6), (64, 20, 5), (64, 24, 4), (64, 30, 4), (64, 40, 3),
        (640, 16, None), (640, 20, 7), (640, 24, 6), (640, 30, 5), (640, 40, 4),
        (6400, 16, None), (6400, 20, None), (6400, 24, 8), (6400, 30, 7), (6400, 40, 5),
        (64000, 24, None), (64000, 30, 9), (64000, 40, 7),
    ],
)  # fmt: skip
def test_the_fewest_exercises_are_those_of_the_combinatorial_bound(
    places: int, slots: int, exercises: int | None
) -> None:
    """C(K, N) >= m / a: chance of a perfect answer of one of m unrelated bits is at most a = 1 %."""
    assert fewest_exercises(slots, places=places, chance=0.01) == exercises
    if exercises is not None:
        assert comb(slots, exercises) >= places / 0.01 > comb(slots, exercises - 1)


@pytest.mark.parametrize(
    ("slots", "exercises", "misses", "places", "expected"),
    [(20, 4, 0, 40, 0.0083), (24, 6, 1, 40, 0.0056), (20, 3, 0, 10, 0.0088), (24, 5, 1, 10, 0.0047)],
)
def test_the_chance_for_a_few_outputs_agrees_with_worked_figures(
    slots: int, exercises: int, misses: int, places: int, expected: float
) -> None:
    """Places times Fisher's exact chance, worked by hand: 40 / C(20, 4) = 0.00826; 40 x 19 / C(24, 6) = 0.00565; ..."""
    assert places * chance_if_all_answer([(slots, exercises)], misses=misses) == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize("slots", [8, 24, 61])
@pytest.mark.parametrize("exercises", [3, 4])
@pytest.mark.parametrize("misses", [0, 1, 2])
def test_the_chance_is_the_tail_that_scipy_gives(slots: int, exercises: int, misses: int) -> None:
    hits = exercises - misses
    tail = hypergeom.sf(hits - 1, slots, hits, exercises)
    assert chance_if_all_answer([(slots, exercises)], misses=misses) == pytest.approx(tail, rel=1e-9)


def test_states_of_the_vehicle_multiply_where_all_is_answered() -> None:
    both = chance_if_all_answer([(12, 4), (10, 3)])
    assert both == pytest.approx(1 / (comb(12, 4) * comb(10, 3)), rel=1e-9)


def test_a_miss_in_either_state_is_counted_where_it_costs_most() -> None:
    """Enumerated: pairs (hits in one, hits in the other) that reach as many as were answered."""

    def tail(first: int, second: int) -> float:
        total = 0.0
        for one in range(4):
            for other in range(5):
                if one + other >= first + second:
                    total += hypergeom.pmf(one, 9, first, 3) * hypergeom.pmf(other, 11, second, 4)
        return total

    expected = max(tail(2, 4), tail(3, 3))
    assert chance_if_all_answer([(9, 3), (11, 4)], misses=1) == pytest.approx(expected, rel=1e-9)


def test_eight_exercises_in_twenty_four_slots_for_two_controls() -> None:
    size = size_for(2, 24, places=6400, chance=0.01)
    assert (size.slots, size.exercises, size.misses) == (24, 8, 0)


@pytest.mark.parametrize("controls", [1, 2, 3, 6, 12])
def test_the_usual_size_allows_a_miss_and_is_the_smallest_that_does(controls: int) -> None:
    size = size_for(controls, None, places=6400, chance=0.01)
    assert size.misses == 1
    assert 6400 * chance_if_all_answer([(size.slots, size.exercises)], misses=1) <= 0.01
    assert size.slots >= controls * size.exercises + rests_for(size.exercises)
    assert size.slots >= 3 * size.exercises
    fewer = fewest_exercises(size.slots - 1, places=6400, chance=0.01, misses=1)
    assert fewer is None or size.slots - 1 < max(3 * fewer, controls * fewer + rests_for(fewer))


def test_too_few_slots_are_answered_with_the_number_it_takes() -> None:
    with pytest.raises(UsageError, match=r"--slots 12: too few for 2 controls\. Expected at least 23") as caught:
        size_for(2, 12, places=6400, chance=0.01)
    assert size_for(2, 23, places=6400, chance=0.01).slots == 23
    with pytest.raises(UsageError):
        size_for(2, 22, places=6400, chance=0.01)
    assert "1 %" in str(caught.value)


def test_more_than_anybody_works_through_is_refused() -> None:
    with pytest.raises(UsageError, match="Divide them over several recordings"):
        size_for(300, None, places=6400, chance=0.01)
