"""Rules against the logic of Python itself, and against the laws of logic."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt
from hypothesis import given
from hypothesis import strategies as st

from canlens.errors import RuleError
from canlens.plan.rule import OFF, ON, UNKNOWN, Rule, parse_rule

NAMES = ("a", "b", "c", "d")

rules = st.recursive(
    st.sampled_from(NAMES),
    lambda inner: st.one_of(
        inner.map(lambda text: f"not {text}" if " " not in text else f"not ({text})"),
        inner.map(lambda text: f"({text})"),
        st.tuples(inner, inner).map(" and ".join),
        st.tuples(inner, inner).map(" or ".join),
    ),
    max_leaves=12,
)
"""Texts of rules; what binds closer is left to the parser."""

settings_of_all = np.array(list(product((OFF, ON), repeat=len(NAMES))), dtype=np.int8)
with_unknown = np.array(list(product((OFF, ON, UNKNOWN), repeat=len(NAMES))), dtype=np.int8)


def evaluated(rule: Rule, rows: npt.NDArray[np.int8]) -> list[int]:
    return [int(state) for state in rule.evaluate(dict(zip(NAMES, rows.T, strict=True)))]


@given(rules)
def test_rules_agree_with_the_logic_of_python(text: str) -> None:
    expected = [
        int(eval(text, {}, dict(zip(NAMES, map(bool, row), strict=True))))  # noqa: S307  # our own text
        for row in settings_of_all
    ]
    assert evaluated(parse_rule(text, NAMES), settings_of_all) == expected


@given(rules)
def test_what_a_rule_knows_stays_true_whatever_the_unknown_turns_out_to_be(text: str) -> None:
    """Kleene's logic is monotone: a settled result never changes when an unknown state is learnt."""
    rule = parse_rule(text, NAMES)
    results = dict(zip(map(tuple, settings_of_all.tolist()), evaluated(rule, settings_of_all), strict=True))
    for row, result in zip(with_unknown.tolist(), evaluated(rule, with_unknown), strict=True):
        fillings = product(*((OFF, ON) if state == UNKNOWN else (state,) for state in row))
        possible = {results[filling] for filling in fillings}
        assert result == UNKNOWN or possible == {result}


@given(rules)
def test_a_double_negation_changes_nothing(text: str) -> None:
    rule = parse_rule(text, NAMES)
    assert rule.same_as(rule)
    assert rule.same_as(parse_rule(f"not not ({text})", NAMES))
    assert not rule.same_as(parse_rule(f"not ({text})", NAMES))


@given(rules, rules)
def test_the_laws_of_de_morgan_hold(one: str, other: str) -> None:
    both = parse_rule(f"not (({one}) and ({other}))", NAMES)
    assert both.same_as(parse_rule(f"not ({one}) or not ({other})", NAMES))
    either = parse_rule(f"not (({one}) or ({other}))", NAMES)
    assert either.same_as(parse_rule(f"not ({one}) and not ({other})", NAMES))


@given(rules, rules)
def test_being_the_same_is_having_the_same_truth_table(one: str, other: str) -> None:
    first, second = parse_rule(one, NAMES), parse_rule(other, NAMES)
    alike = evaluated(first, settings_of_all) == evaluated(second, settings_of_all)
    assert first.same_as(second) == second.same_as(first) == alike


@given(rules, st.sampled_from(NAMES), st.sampled_from([OFF, ON]))
def test_holding_a_control_is_giving_it_one_state(text: str, name: str, state: int) -> None:
    rule = parse_rule(text, NAMES)
    rows = with_unknown.copy()
    rows[:, NAMES.index(name)] = state
    fixed = rule.with_fixed(name, state=state)
    assert name not in fixed.controls
    assert evaluated(fixed, with_unknown) == evaluated(rule, rows)


@given(rules, st.sampled_from(NAMES), st.sampled_from([OFF, ON]))
def test_the_text_of_a_shortened_rule_says_what_it_means(text: str, name: str, state: int) -> None:
    fixed = parse_rule(text, NAMES).with_fixed(name, state=state)
    if fixed.controls:
        assert parse_rule(str(fixed), NAMES).expression == fixed.expression
    else:
        assert str(fixed) in {"always", "never"}


@given(st.one_of(st.text(), st.lists(st.sampled_from([*NAMES, "and", "or", "not", "(", ")", "x"])).map(" ".join)))
def test_any_text_is_a_rule_or_is_refused_with_a_place_inside_it(text: str) -> None:
    outcome = parsed_or_refused(text)
    if isinstance(outcome, RuleError):
        assert 1 <= outcome.position <= len(text) + 1
        assert outcome.expected
        assert outcome.found
    else:
        assert set(outcome.controls) <= set(NAMES)
        assert outcome.controls


def parsed_or_refused(text: str) -> Rule | RuleError:
    try:
        return parse_rule(text, NAMES)
    except RuleError as error:
        return error
