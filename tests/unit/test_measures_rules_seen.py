"""Rules seen: the smallest rules that explain an output, what they leave unexplained, and what was never tested."""

from __future__ import annotations

import math

import pytest

from canlens.measures.outputs.rules_seen import missing_by_chance
from canlens.measures.outputs.several import added_output
from canlens.plan import Rule, parse_rule
from tests.unit.small_jobs import Job, Span, answering, job, planned, presses

NAMES = ("a", "b", "c")
A, B, C = presses(3), presses(3, first_s=12), presses(3, first_s=22)
BOTH = [(32.0, 34.0), (36.0, 38.0)]
"""a and b together."""
EVERY = [(40.0, 42.0), (44.0, 46.0)]
"""All three together."""
SPANS = {"a": [*A, *BOTH, *EVERY], "b": [*B, *BOTH, *EVERY], "c": [*C, *EVERY]}
END_S = 50


def made(*output: Span, when: str = "c", spans: dict[str, list[Span]] | None = None, **options: object) -> Job:
    """Return a job whose one output does what is said, beside three controls."""
    return job(spans or SPANS, {"lamp": planned(when, answering(list(output)), **options)}, end_s=END_S)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rule", "on"),
    [
        ("a", SPANS["a"]),
        ("a or b", [*A, *B, *BOTH, *EVERY]),
        ("a and b", [*BOTH, *EVERY]),
        ("a and not b", A),
        ("a and b and not c", BOTH),
        ("a or b or c", [*A, *B, *C, *BOTH, *EVERY]),
        ("(a or b) and not c", [*A, *B, *BOTH]),
    ],
)
def test_a_rule_of_up_to_three_controls_is_named(rule: str, on: list[Span]) -> None:
    result = made(*on).result("lamp")
    assert result.observed is not None
    assert parse_rule(result.observed, NAMES).same_as(parse_rule(rule, NAMES))
    assert (result.observed_how.explained, result.observed_how.exercises) == (len(on), len(on))
    assert result.observed_how.latency_s.max == pytest.approx(0.06)


def test_the_negation_of_a_control_is_named() -> None:
    gaps = list(zip([0.0, *(stop for _, stop in SPANS["c"])], [start for start, _ in SPANS["c"]], strict=False))
    assert made(*gaps).result("lamp").observed == "not c"


def test_one_missing_answer_of_a_few_leaves_the_rule_and_is_told() -> None:
    result = made(*SPANS["a"][:-1]).result("lamp")
    assert (result.verdict, result.observed) == ("failed", "a")
    assert (result.observed_how.explained, result.observed_how.exercises) == (6, 7)
    claim = made(*SPANS["a"][:-1]).findings("misrouted-output")[0].claim
    assert "follows 'a', in 6 of 7 exercises" in claim


def test_a_long_exercise_that_was_not_answered_counts_as_one_while_others_are_operated() -> None:
    spans = {"a": [*presses(5), (30.0, 44.0)], "b": [(32.0 + 2 * each, 33.0 + 2 * each) for each in range(6)], "c": C}
    result = made(*spans["a"][:-1], when="a", spans=spans).result("lamp")
    assert (result.verdict, result.observed) == ("failed", "a")
    assert (result.observed_how.explained, result.observed_how.exercises) == (5, 6)


def test_as_many_missing_answers_as_given_leave_no_rule() -> None:
    assert made(*A).result("lamp").observed != "a"
    assert made(A[0], BOTH[0], when="a").result("lamp").observed is None


def test_a_true_rule_misses_some_exercises_once_in_fifty_jobs() -> None:
    # binomial tail with p = 0.05, by the recurrence rather than the sum: P(X = 0) = 0.95 ** n
    assert missing_by_chance(1, 4) == pytest.approx(1 - 0.95**4)
    assert missing_by_chance(0, 4) == pytest.approx(1.0)
    assert missing_by_chance(2, 4) == pytest.approx(1 - 0.95**4 - 4 * 0.05 * 0.95**3)


def test_the_chance_to_miss_is_known_of_thousands_of_exercises_too() -> None:
    # normal approximation of the binomial tail, with continuity correction: within a few per cent near the mean
    due, p = 20_000, 0.05
    spread = math.sqrt(due * p * (1 - p))
    for missed in (900, 1000, 1050):
        tail = 0.5 * math.erfc((missed - 0.5 - due * p) / spread / math.sqrt(2))
        assert missing_by_chance(missed, due) == pytest.approx(tail, rel=0.03)
    assert missing_by_chance(due, due) == 0.0


def test_what_is_planned_is_named_before_what_fits_as_well() -> None:
    spans = {"a": A, "b": A, "c": C}
    result = made(*A, when="b", spans=spans).result("lamp")
    assert (result.observed, result.also_fits) == ("b", ("a",))
    assert result.verdict == "not-proven"


def test_a_control_that_never_moved_is_in_no_rule_but_the_planned_one() -> None:
    # the ignition on throughout: 'a and b' cannot be told from 'a', which nothing else in the plan uses
    spans = {"a": A, "b": [(0.0, 60.0)], "c": C}
    result = made(*A, when="a and b", spans=spans).result("lamp")
    assert (result.observed, result.also_fits) == ("a and b", ("a",))
    assert "a on, b off" in result.untested_rows
    assert "told apart" not in result.reason


def test_settings_never_seen_are_listed_not_filled() -> None:
    result = made(*A, *B, when="a or b", spans={"a": A, "b": B, "c": C}).result("lamp")
    assert result.verdict == "proven"
    assert result.untested_rows == ("a on, b on",)
    assert made(*SPANS["a"], when="a").result("lamp").untested_rows == ()


def test_an_output_that_is_on_by_one_exercise_and_off_by_the_next_is_known() -> None:
    spans = {**SPANS, "a": presses(6)}
    starts = [start for start, _ in spans["a"]]
    result = made(*zip(starts[::2], starts[1::2], strict=True), when="a", spans=spans).result("lamp")
    assert (result.verdict, result.observed, result.observed_how.latching) == ("failed", "a", True)
    assert (result.observed_how.explained, result.observed_how.exercises) == (6, 6)
    assert not made(*SPANS["a"], when="a").result("lamp").observed_how.latching


def test_a_run_on_and_a_cut_off_that_nobody_planned_are_measured() -> None:
    late = [(start, stop + 1.2) for start, stop in SPANS["a"]]
    assert made(*late, when="a").result("lamp").observed_how.run_on_s == pytest.approx(1.2, abs=0.1)
    short = [(start, start + 0.6) for start, _ in SPANS["a"]]
    result = made(*short, when="a").result("lamp")
    assert result.observed == "a"
    assert result.observed_how.cut_off_s == pytest.approx(0.65, abs=0.1)
    assert made(*SPANS["a"], when="a").result("lamp").observed_how.run_on_s is None


def test_answers_that_are_all_late_alike_follow_the_rule_late() -> None:
    late = [(start + 0.6, stop) for start, stop in SPANS["a"]]
    result = made(*late, when="a").result("lamp")
    assert (result.verdict, result.observed) == ("failed", "a")
    assert result.observed_how.latency_s.median == pytest.approx(0.66, abs=0.05)


def test_an_output_that_only_the_eye_saw_has_its_rule_named_too() -> None:
    spans = {"a": presses(3, hold_s=2.0), "b": presses(3, first_s=12, hold_s=2.0), "c": C}
    seen = [(start + 1.2, "lamp", name == "a") for name in ("a", "b") for start, _ in spans[name]]
    one = job(spans, {"lamp": planned("b")}, end_s=END_S, observed=seen)
    result = one.result("lamp")
    assert (result.verdict, result.judged_from, result.observed) == ("failed", "observed", "a")


def test_recordings_add_up_before_a_rule_is_named() -> None:
    first = job({"a": A[:1], "b": B}, {"lamp": planned("b", answering(A[:1]))}, end_s=24)
    second = job({"a": A[1:], "b": B}, {"lamp": planned("b", answering(A[1:]))}, end_s=24)
    assert first.output("lamp").fits == ()
    assert added_output([first.output("lamp"), second.output("lamp")]).fits == (Rule.of("a"),)


def test_a_control_that_never_moved_alone_makes_a_rule_of_several_controls_unproven() -> None:
    held, ready = [(2.0, 4.0), (6.0, 12.0), (14.0, 22.0), (24.0, 26.0)], [(1.0, 8.0), (9.0, 10.5), (16.0, 30.0)]
    apart = {"a": held, "b": held, "c": ready}
    on = [(2.0, 4.0), (6.0, 8.0), (9.0, 10.5), (16.0, 22.0), (24.0, 26.0)]
    outputs = {"lamp": planned("a and c", answering(on))}
    one = job(apart, outputs, end_s=END_S, min_exercises=2)
    assert one.output("lamp").confounded_with == (parse_rule("b and c", "abc"),)
    result = one.result("lamp")
    assert (result.verdict, "told apart" in result.reason) == ("not-proven", True)
    assert one.checkup.result.next_exercises == ("operate b and c once while a is off, for at least 2.0 s",)
    alone = {**apart, "b": [*held, (42.0, 44.0)]}
    assert job(alone, outputs, end_s=END_S, min_exercises=2).output("lamp").confounded_with == ()


def test_an_output_that_stands_still_follows_nothing() -> None:
    assert made().output("lamp").fits == made((0.0, END_S)).output("lamp").fits == ()
