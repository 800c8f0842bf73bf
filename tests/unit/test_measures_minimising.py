"""Minimising: the smallest rules over settings seen, found exactly."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from canlens.measures.outputs.truth_tables import MOST_RULES, smallest_rules
from canlens.plan import parse_rule

NAMES = ("a", "b", "c", "d")


def texts(on: list[int], off: list[int], names: tuple[str, ...] = NAMES) -> list[str]:
    return [str(each.rule) for each in smallest_rules(on, off, names)]


def table(text: str, width: int) -> list[bool]:
    """Return the truth table of a rule, by the rule language itself."""
    rows = np.arange(1 << width)
    states = {name: (rows >> bit & 1).astype(np.int8) for bit, name in enumerate(NAMES[:width])}
    return [bool(state) for state in parse_rule(text, NAMES).evaluate(states)]


def test_the_textbook_example_is_minimised() -> None:
    # McCluskey's method in its usual textbook form: minterms 4, 8, 10, 11, 12, 15, don't-cares 9, 14 of four variables
    # give two smallest sums of seven literals; bit 3 of the textbook's numbers is its first variable.
    first = ("d", "c", "b", "a")
    on, off = [4, 8, 10, 11, 12, 15], [0, 1, 2, 3, 5, 6, 7, 13]
    found = smallest_rules(on, off, first)
    assert found[0].literals <= 7
    for each in found:
        rows = np.array([*on, *off])
        states = {name: (rows >> bit & 1).astype(np.int8) for bit, name in enumerate(first)}
        assert each.rule.evaluate(states).tolist() == [1] * len(on) + [0] * len(off)


@pytest.mark.parametrize("outcome", list(product((False, True, None), repeat=4)))
def test_every_outcome_of_two_controls_is_explained_by_a_smallest_rule(outcome: tuple[bool | None, ...]) -> None:
    on = [row for row, state in enumerate(outcome) if state is True]
    off = [row for row, state in enumerate(outcome) if state is False]
    found = texts(on, off, NAMES[:2])
    assert bool(found) == bool(on and off)
    for text in found:
        rows = table(text, 2)
        assert all(rows[row] for row in on)
        assert not any(rows[row] for row in off)
    exact = ["a", "b", "not a", "not b"]
    fitting = [text for text in exact if all(table(text, 2)[r] for r in on) and not any(table(text, 2)[r] for r in off)]
    if fitting and on and off:
        assert sorted(found) == sorted(fitting), "where single controls explain it, all of them are listed and no more"


@pytest.mark.parametrize(
    "text",
    [
        "a and b and c",
        "a or b or c",
        "a and (b or c)",
        "(a or b) and not c",
        "a and b and not c",
        "not a and not b",
        "c or (a and b)",
    ],
)
def test_a_rule_seen_in_all_settings_is_found_as_small_as_it_was_written(text: str) -> None:
    rows = table(text, 3)
    found = smallest_rules([r for r in range(8) if rows[r]], [r for r in range(8) if not rows[r]], NAMES[:3])
    assert [each.rule.same_as(parse_rule(text, NAMES)) for each in found] == [True]
    assert found[0].literals == sum(word.strip("()") in NAMES for word in text.split())


def test_rows_never_seen_are_not_filled_but_give_several_rules() -> None:
    assert sorted(texts([0b11], [0b00], NAMES[:2])) == ["a", "b"]
    assert sorted(texts([0b11], [0b00, 0b01], NAMES[:2])) == ["b"]


def test_without_both_outcomes_there_is_no_rule() -> None:
    assert texts([1, 2], []) == []
    assert texts([], [1, 2]) == []


def test_no_more_rules_are_listed_than_anyone_compares() -> None:
    names = tuple(f"c{number}" for number in range(4))
    assert len(smallest_rules([0b1111, 0b0110], [0b0000, 0b1001], names)) <= MOST_RULES
