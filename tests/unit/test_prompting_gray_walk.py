"""Every combination, one change at a time."""

from __future__ import annotations

import pytest

from canlens.prompting.planned_session import gray_walk, walked_groups


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_every_combination_is_reached_once_and_the_walk_ends_with_all_off(count: int) -> None:
    names = [f"c{number}" for number in range(count)]
    on: set[str] = set()
    seen = []
    for name, state in gray_walk(names):
        assert (name in on) != state, "a change that is none"
        on = on | {name} if state else on - {name}
        seen.append(frozenset(on))
    assert len(seen) == len(set(seen)) == 2**count
    assert seen[-1] == frozenset()


def test_the_order_is_that_of_the_reflected_binary_code() -> None:
    """Numbers of the changing digit for three digits: the ruler sequence, OEIS A001511: 1 2 1 3 1 2 1."""
    assert [name for name, _ in gray_walk("123")] == ["1", "2", "1", "3", "1", "2", "1", "3"]


def test_a_group_within_another_is_walked_with_it() -> None:
    groups = [("a", "b"), ("b", "a", "c"), ("d",), ("a", "b"), (), tuple("uvwxyz")]
    assert walked_groups(groups) == [("b", "a", "c")]
    assert walked_groups([("a", "b"), ("b", "a")]) == [("a", "b")]
