"""Causes: their tables, Bayes' rule over them, and what they say of small jobs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from canlens.causes import ALL, Candidate, ranked, wrong_beyond_outputs
from canlens.causes.cause import SYMPTOMS, Case, Sign, Suspect, Symptom
from canlens.causes.trials import TRIALS, best_trial, sentence
from canlens.causes.weighing import FINE_WEIGHT, NONE_WEIGHT, answers_to
from canlens.results.finding import Cause
from tests.unit.small_jobs import Job, answering, job, planned, presses, wave

if TYPE_CHECKING:
    from canlens.nouns.outputs import Evidence
    from canlens.results.finding import Scope

BY_NAME = {each.name: each for each in SYMPTOMS}
HORN, BRAKE = presses(3), presses(3, first_s=12)
CONTRACTED = 33
PAIRS = [
    ("outputs-swapped", "output-follows-other-control"),
    ("output-not-commanded", "output-always-on"),
    ("load-open", "load-over-current"),
    ("no-traffic", "lines-shorted"),
    ("wrong-bit-rate", "nobody-acknowledges"),
    ("terminator-missing", "interference-from-output"),
    ("controller-silent", "supply-sag"),
]


def two_outputs(siren: list[tuple[float, float]], lamp: list[tuple[float, float]]) -> Job:
    outputs = {"siren": planned("horn", siren, safety="horn"), "lamp": planned("brake", lamp)}
    return job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)


def first(one: Job) -> Cause:
    return ranked(one.evidence)[0]


@pytest.mark.parametrize("symptom", SYMPTOMS, ids=lambda each: each.name)
def test_the_chances_of_a_healthy_install_add_up_to_one(symptom: Symptom) -> None:
    assert math.isclose(sum(symptom.usual.values()), 1, abs_tol=1e-9)
    assert min(symptom.usual.values()) > 0


@pytest.mark.parametrize("cause", ALL, ids=lambda each: each.name)
def test_every_table_speaks_the_vocabulary_and_adds_up(cause: Candidate) -> None:
    assert cause.chances
    for symptom, chances in cause.chances.items():
        assert set(chances) == set(BY_NAME[symptom].usual)
        assert math.isclose(sum(chances.values()), 1, abs_tol=1e-9)
        assert min(chances.values()) > 0


def test_the_whole_catalogue_is_there_and_each_page_prints_its_table() -> None:
    assert len(ALL) == CONTRACTED
    for cause in ALL:
        assert "\nTable\n" in cause.manual
        assert all(symptom in cause.manual for symptom in cause.chances)


@pytest.mark.parametrize("cause", ALL, ids=lambda each: each.name)
def test_every_cause_has_a_test_of_its_own(cause: Candidate) -> None:
    assert any(cause.name in trial.shows for trial in TRIALS)


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_the_test_named_shows_different_things_under_cause_and_rival(one: str, other: str) -> None:
    trial = best_trial(one, other)
    assert trial.splits(one, other)
    told = sentence(trial, one, other, {})
    assert f"If it is {other}" in told
    assert "{" not in told


def test_bayes_rule_is_that_of_the_book() -> None:
    """Two answers and one sign: the posterior odds are the prior odds times the likelihood ratio (Bayes 1763)."""
    table = {"level": {"right": 0.02, "wrong": 0.98}}
    cause = Candidate("a-cause", "output", "level", 8, table, __name__)
    case = Case("level", ("lamp",), (Sign("level", "wrong", "it is dark"),))
    found = answers_to(case, [cause])
    usual = BY_NAME["level"].usual["wrong"]
    unknown = NONE_WEIGHT * 0.4
    expected = 8 * 0.98 / (8 * 0.98 + FINE_WEIGHT * usual + unknown)
    assert math.isclose(found[0].probability, expected)
    assert found[0].suspect == Suspect(("lamp",))


def test_what_another_fault_explains_is_taken_off() -> None:
    table = {"level": {"right": 0.02, "wrong": 0.98}}
    cause = Candidate("a-cause", "output", "level", 8, table, __name__)
    signs = (Sign("level", "wrong", "it is dark"),)
    whole = answers_to(Case("level", (), signs), [cause])[0].probability
    half = answers_to(Case("level", (), signs, left=0.5), [cause])[0].probability
    assert math.isclose(half, whole / 2)


def test_silence_speaks_against_a_cause_that_predicts_something() -> None:
    cause = next(each for each in ALL if each.name == "answer-late")
    seen = Sign("late", "none", "no answer was late")
    told = [each.probability for each in answers_to(Case("routing", (), (seen,)), [cause]) if each.candidate]
    untold = [each.probability for each in answers_to(Case("routing", (), ()), [cause]) if each.candidate]
    assert told < untold


def test_a_healthy_job_has_no_cause() -> None:
    assert ranked(two_outputs(answering(HORN), answering(BRAKE)).evidence) == ()


def test_two_exchanged_outputs_are_one_cause_that_names_both() -> None:
    causes = ranked(two_outputs(answering(BRAKE), answering(HORN)).evidence)
    assert (causes[0].cause, causes[0].subject) == ("outputs-swapped", ("lamp", "siren"))
    assert sum(each.cause == "outputs-swapped" for each in causes) == 1


def test_exchanged_outputs_are_known_though_one_rule_is_a_part_of_the_other() -> None:
    horn, brake = presses(6), [(11.0, 18.5)]
    part = HORN  # horn and not brake
    outputs = {"siren": planned("horn", answering(part)), "lamp": planned("horn and not brake", answering(horn))}
    one = job({"horn": horn, "brake": brake}, outputs, end_s=24)
    assert one.result("siren").observed == "horn and not brake"
    cause = first(one)
    assert (cause.cause, cause.subject) == ("outputs-swapped", ("lamp", "siren"))


def test_an_output_that_drops_by_itself_still_follows_its_own_rule() -> None:
    dropped = [(start + 0.05, start + 0.5 if number % 2 else stop + 0.05) for number, (start, stop) in enumerate(HORN)]
    one = job({"horn": HORN, "brake": BRAKE}, {"siren": planned("horn", dropped)}, end_s=24)
    assert one.result("siren").observed == "horn"


def test_an_output_that_comes_on_and_goes_off_late_alike_is_slow_and_has_no_run_on() -> None:
    # its message is sent on each change, and besides every 1.3 s: some late answers are forgiven as slow rows
    horn = presses(8, hold_s=2.0, every_s=4.0)
    slow = wave(answering(horn, delay_s=0.7), cycle_s=1.3, at_once=True)
    causes = ranked(job({"horn": horn}, {"siren": planned("horn", slow)}, end_s=36).evidence)
    assert (causes[0].cause, causes[0].subject) == ("answer-late", ("siren",))
    assert causes[0].probability > 0.9


def test_one_answer_that_seems_late_is_no_rule_where_the_others_never_come() -> None:
    # the siren follows the brake, which once comes on half a second after the horn
    horn, brake = presses(6), [(5.5, 7.0), *presses(3, first_s=24.5)]
    one = job({"horn": horn, "brake": brake}, {"siren": planned("horn", answering(brake))}, end_s=36)
    assert len(one.output("siren").answers.late) == 1
    cause = first(one)
    assert (cause.cause, cause.subject) == ("output-follows-other-control", ("siren",))


def test_outputs_that_always_switch_together_share_what_one_of_them_does_to_the_supply() -> None:
    presses_s = presses(5, hold_s=2.0, every_s=6.0)
    gaps = [(a + 0.25, a + 0.95) for a, _ in presses_s]
    on = wave(answering(presses_s), silent=gaps)
    later = wave(answering(presses_s, delay_s=0.2), silent=gaps)
    outputs = {"siren": planned("horn", on), "lamp": planned("horn", later)}
    causes = ranked(job({"horn": presses_s}, outputs, end_s=44).evidence)
    sags = {each.subject: each.probability for each in causes if each.cause == "supply-sag"}
    assert set(sags) == {("siren",), ("lamp",)}
    assert sags["siren",] == pytest.approx(sags["lamp",])
    assert max(sags.values()) < 0.5 < wrong_beyond_outputs(causes)


def named(cause: str, scope: Scope, *subject: str, probability: float) -> Cause:
    return Cause(cause=cause, scope=scope, subject=subject, probability=probability, because=(), next_test="")


def test_the_places_of_one_cause_add_up_and_other_causes_do_not() -> None:
    sags = [named("supply-sag", "controller", each, probability=0.45) for each in ("siren", "lamp")]
    assert wrong_beyond_outputs(sags) == pytest.approx(0.9)
    of_bus = [named("terminator-missing", "bus", probability=0.45), named("none-of-these", "bus", probability=0.4)]
    assert wrong_beyond_outputs(of_bus) == pytest.approx(0.45)
    messages = [named("message-missing", "bus", each, probability=0.3) for each in ("Grip", "Pod", "Body")]
    assert wrong_beyond_outputs(messages) == pytest.approx(0.3)
    assert wrong_beyond_outputs([named("load-open", "output", "siren", probability=0.9)]) == 0.0
    assert wrong_beyond_outputs([]) == 0.0


def test_one_output_that_follows_another_control_is_not_exchanged() -> None:
    cause = first(two_outputs(answering(BRAKE), answering(BRAKE)))
    assert (cause.cause, cause.subject) == ("output-follows-other-control", ("siren",))
    assert any("brake" in each for each in cause.because)


def test_a_dead_output_says_why_and_what_to_do_with_the_caution_of_a_safety_item() -> None:
    cause = first(two_outputs([], answering(BRAKE)))
    assert cause.cause == "output-not-commanded"
    assert any("0 of 3 exercises" in each for each in cause.because)
    assert "siren" in cause.next_test
    assert "hearing" in cause.caution


def test_two_faults_at_once_both_stand_high() -> None:
    causes = ranked(two_outputs([], answering(BRAKE, delay_s=0.7)).evidence)
    high = {(each.cause, each.subject) for each in causes if each.probability > 0.8}
    assert high == {("output-not-commanded", ("siren",)), ("answer-late", ("lamp",))}


def test_an_over_current_explains_that_the_output_drops() -> None:
    on = [(a + 0.05, a + 0.35) for a, _ in HORN]
    load = wave(on, on=120)
    one = job(
        {"horn": HORN},
        {"siren": planned("horn", on, current=load, peak_a=9.0, continuous_a=6.0, load_a=5.0)},
        end_s=24,
    )
    causes = ranked(one.evidence)
    assert causes[0].cause == "load-over-current"
    assert all(each.probability < 0.2 for each in causes[1:])


def test_a_controller_that_restarts_with_an_output_has_a_sagging_supply() -> None:
    presses_s = presses(5, hold_s=2.0, every_s=6.0)
    gaps = [(a + 0.25, a + 0.95) for a, _ in presses_s]
    on = wave(answering(presses_s), silent=gaps)
    idle = wave(answering([(40.0, 41.0)]), silent=gaps)
    outputs = {"siren": planned("horn", on), "lamp": planned("brake", idle)}
    one = job({"horn": presses_s, "brake": [(40.0, 41.0)]}, outputs, end_s=44)
    evidence: Evidence = one.evidence
    assert evidence.supply is not None
    assert len(evidence.supply.restarts_s) == len(gaps)
    cause = ranked(evidence)[0]
    assert (cause.cause, cause.subject) == ("supply-sag", ("siren",))


def test_nobody_operated_anything_is_not_enough_evidence_and_fails_nothing() -> None:
    one = job({"horn": []}, {"siren": planned("horn", [])}, end_s=12)
    assert [each.cause for each in ranked(one.evidence)] == ["not-enough-evidence"]
    assert one.checkup.verdict == "not-proven"
