"""Rules: what they mean, how they read, and what is said of texts that are none."""

from __future__ import annotations

import pickle

import numpy as np
import numpy.typing as npt
import pytest

from canlens.errors import CanlensError, RuleError
from canlens.plan.rule import MAX_CONTROLS, MAX_DEPTH, Rule, parse_rule

KNOWN = ("horn", "brake_front", "brake_rear", "4-way", "ignition")


def states(*values: int) -> npt.NDArray[np.int8]:
    return np.array(values, dtype=np.int8)


def evaluated(text: str, **given: npt.NDArray[np.int8]) -> list[int]:
    result = parse_rule(text, tuple(given)).evaluate(given)
    assert result.dtype == np.int8
    return [int(value) for value in result]


def mistake_in(text: str, known: tuple[str, ...] = KNOWN) -> RuleError:
    with pytest.raises(RuleError) as caught:
        parse_rule(text, known)
    assert isinstance(caught.value, CanlensError)
    return caught.value


# Kleene, Introduction to Metamathematics (1952), section 64: the strong tables; here -1 is his u.
NINE_A = states(1, 1, 1, 0, 0, 0, -1, -1, -1)
NINE_B = states(1, 0, -1, 1, 0, -1, 1, 0, -1)


def test_and_follows_the_strong_table_of_kleene() -> None:
    assert evaluated("a and b", a=NINE_A, b=NINE_B) == [1, 0, -1, 0, 0, 0, -1, 0, -1]


def test_or_follows_the_strong_table_of_kleene() -> None:
    assert evaluated("a or b", a=NINE_A, b=NINE_B) == [1, 1, 1, 1, 0, -1, 1, -1, -1]


def test_not_leaves_unknown_unknown() -> None:
    assert evaluated("not a", a=states(1, 0, -1)) == [0, 1, -1]


def test_not_binds_closer_than_and_which_binds_closer_than_or() -> None:
    a, b, c = states(0, 0, 1, 1), states(1, 0, 0, 1), states(1, 1, 0, 0)
    assert evaluated("not a and b or c", a=a, b=b, c=c) == [1, 1, 0, 0]
    assert evaluated("not (a and (b or c))", a=a, b=b, c=c) == [1, 1, 1, 0]


def test_keywords_may_be_written_in_any_case_and_names_may_not() -> None:
    assert parse_rule("horn AND Not (brake_front oR brake_rear)", KNOWN).controls == KNOWN[:3]
    error = mistake_in("Horn")
    assert (error.found, error.close) == ("'Horn'", ("horn",))


def test_controls_stand_once_in_order_of_appearance() -> None:
    rule = parse_rule("brake_rear or (horn and brake_rear) or 4-way", KNOWN)
    assert rule.controls == ("brake_rear", "horn", "4-way")
    assert str(rule) == "brake_rear or (horn and brake_rear) or 4-way"


def test_a_rule_of_one_control_passes_its_states_on() -> None:
    rule = Rule.of("horn")
    assert rule == parse_rule("horn", KNOWN)
    assert rule.evaluate({"horn": states(1, 0, -1), "other": states(0, 0, 0)}).tolist() == [1, 0, -1]


def test_states_of_no_length_give_a_result_of_no_length() -> None:
    assert evaluated("a and not b", a=states(), b=states()) == []


def test_two_rules_become_one_that_asks_for_both() -> None:
    both = parse_rule("a or b", "abc").and_also(parse_rule("not c", "abc"))
    assert both == parse_rule("(a or b) and (not c)", "abc")


def test_a_rule_keeps_its_wording_when_a_control_is_exchanged() -> None:
    rule = parse_rule("horn AND NOT (horn_2 or horn)", ["horn", "horn_2"])
    assert rule.with_renamed("horn", "key") == parse_rule("key AND NOT (horn_2 or key)", ["key", "horn_2"])


def test_rules_travel_and_serve_as_keys() -> None:
    rule = parse_rule("horn and not (brake_front or ignition)", KNOWN)
    assert pickle.loads(pickle.dumps(rule)) == rule  # noqa: S301  # our own bytes
    assert len({rule, parse_rule(rule.text, KNOWN)}) == 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("horn", "not not horn"),
        ("not (horn or ignition)", "not ignition and not horn"),
        ("not (horn and ignition)", "not ignition or not horn"),
        ("horn", "horn and (ignition or not ignition)"),
        ("horn", "horn or horn and ignition"),
        ("horn or not horn", "ignition or not ignition"),
    ],
)
def test_rules_with_one_truth_table_are_the_same(one: str, other: str) -> None:
    assert parse_rule(one, KNOWN).same_as(parse_rule(other, KNOWN))
    assert parse_rule(one, KNOWN).meaning() == parse_rule(other, KNOWN).meaning()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("horn", "ignition"),
        ("horn", "not horn"),
        ("horn", "horn and ignition"),
        ("horn and ignition", "horn or ignition"),
        ("horn or not horn", "horn and not horn"),
    ],
)
def test_rules_with_different_truth_tables_are_not_the_same(one: str, other: str) -> None:
    assert not parse_rule(one, KNOWN).same_as(parse_rule(other, KNOWN))


def test_the_truth_table_counts_with_the_first_control_changing_slowest() -> None:
    rule = parse_rule("horn and not ignition", KNOWN)
    assert rule.table(["horn", "ignition"]).tolist() == [0, 0, 1, 0]
    assert rule.table(["ignition", "horn"]).tolist() == [0, 1, 0, 0]


@pytest.mark.parametrize(
    ("text", "control", "state", "rest"),
    [
        ("horn and ignition", "ignition", 1, "horn"),
        ("horn and ignition", "ignition", 0, "never"),
        ("horn or ignition", "ignition", 1, "always"),
        ("not (horn or ignition)", "horn", 0, "not ignition"),
        ("not (horn or ignition)", "horn", 1, "never"),
        ("(horn or 4-way) and not ignition", "horn", 0, "4-way and not ignition"),
        ("horn", "ignition", 1, "horn"),
    ],
)
def test_a_held_control_leaves_the_rest_of_the_rule(text: str, control: str, state: int, rest: str) -> None:
    fixed = parse_rule(text, KNOWN).with_fixed(control, state=state)
    assert str(fixed) == rest
    assert control not in fixed.controls


def test_a_rule_that_is_always_on_is_as_long_as_the_states_that_are_there() -> None:
    always = parse_rule("horn or ignition", KNOWN).with_fixed("horn", state=1)
    assert always.controls == ()
    assert always.evaluate({"ignition": states(0, -1, 1)}).tolist() == [1, 1, 1]
    assert always.evaluate({}).tolist() == [1]


@pytest.mark.parametrize(
    ("text", "position", "expected", "found"),
    [
        ("", 1, "the name of a control, 'not' or '('", "the end of the rule"),
        ("   ", 4, "the name of a control, 'not' or '('", "the end of the rule"),
        ("horn and", 9, "the name of a control, 'not' or '('", "the end of the rule"),
        ("and horn", 1, "the name of a control, 'not' or '('", "'and'"),
        ("horn and OR", 10, "the name of a control, 'not' or '('", "'OR'"),
        ("horn ignition", 6, "'and', 'or' or the end of the rule", "'ignition'"),
        ("horn not ignition", 6, "'and', 'or' or the end of the rule", "'not'"),
        ("horn)", 5, "'and', 'or' or the end of the rule", "')'"),
        ("(horn", 6, "'and', 'or' or ')'", "the end of the rule"),
        ("()", 2, "the name of a control, 'not' or '('", "')'"),
        ("horn && ignition", 6, "'and', 'or' or the end of the rule", "'&'"),
        ("!horn", 1, "the name of a control, 'not' or '('", "'!'"),
        ("horn and kettle", 10, "the name of a control", "'kettle'"),
        ("hörn", 2, "'and', 'or' or the end of the rule", "'ö'"),
    ],
)
def test_a_text_that_is_no_rule_is_refused_with_its_place(text: str, position: int, expected: str, found: str) -> None:
    known = (*KNOWN, "h")
    error = mistake_in(text, known)
    assert (error.position, error.expected, error.found) == (position, expected, found)
    assert f"character {position}: expected {expected}, found {found}." in str(error)


def test_close_names_of_controls_and_of_keywords_are_offered() -> None:
    assert mistake_in("brake_fornt").close[0] == "brake_front"
    assert mistake_in("horn adn ignition").close == ("and",)


def test_names_are_not_called_close_when_nothing_is() -> None:
    assert mistake_in("zzzzzz").close == ()


def test_parentheses_may_be_nested_up_to_the_limit_and_no_deeper() -> None:
    deep = MAX_DEPTH - 1
    assert parse_rule("(" * deep + "horn" + ")" * deep, KNOWN).controls == ("horn",)
    for text in ("(" * MAX_DEPTH + "horn" + ")" * MAX_DEPTH, "not " * 100_000 + "horn", "(" * 100_000):
        assert mistake_in(text).expected == f"at most {MAX_DEPTH} of '(' and 'not' within one another"


def test_a_long_rule_of_few_controls_is_no_trouble() -> None:
    rule = parse_rule(" or ".join(["horn", "ignition"] * 10_000), KNOWN)
    assert rule.same_as(parse_rule("horn or ignition", KNOWN))


def test_the_number_of_controls_is_limited() -> None:
    names = [f"c{number}" for number in range(MAX_CONTROLS + 1)]
    assert len(parse_rule(" or ".join(names[:-1]), names).controls) == MAX_CONTROLS
    error = mistake_in(" or ".join(names), tuple(names))
    assert (error.expected, error.found) == (
        f"at most {MAX_CONTROLS} different controls",
        f"{MAX_CONTROLS + 1}",
    )
    assert error.position == " or ".join(names).index(names[-1]) + 1
