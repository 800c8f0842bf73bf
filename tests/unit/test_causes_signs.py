"""Signs: what every question sees of every kind of install, its tallies, and what it leaves to others."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canlens.causes import ALL, bus, controller, errors, loads, ranked, release, routing
from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.ranking import QUESTIONS
from canlens.causes.trials import PLAIN, TRIALS, best_trial, sentence
from canlens.causes.weighing import Asked, answers_to, bus_words, output_words
from canlens.plan import Reading, Readings
from tests.unit.judged_situations import (
    BRAKE,
    HORN,
    SITUATIONS,
    amps,
    checkup_of,
    flash_job,
    siren,
    swapped,
    with_siren,
)
from tests.unit.small_jobs import Job, Wave, answering, job, planned, presses, wave

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canlens.nouns.outputs import Evidence
    from tests.unit.small_jobs import Span

WELL = "answers=all late=none unasked=no state=changes follows=own"
DONE = "run-on=right dropped=no"

ROUTING = {
    "healthy": WELL,
    "swapped": "answers=none unasked=yes state=changes follows=exchanged",
    "wrongly mapped": "answers=none unasked=yes state=changes follows=other",
    "follows one control too many": "answers=all late=none unasked=yes state=changes follows=other",
    "dead": "answers=none unasked=no state=always off",
    "dead once": "answers=some late=none unasked=no state=changes follows=own",
    "late": "answers=none late=most unasked=no state=changes follows=own",
    "stuck on": "unasked=yes state=always on",
    "stuck on after its first exercise": "answers=all late=none unasked=yes state=changes follows=none",
    "on from the start, never exercised": "state=always on",
    "goes off too late": WELL,
    "right cut-off": WELL,
    "wrong flashing": WELL,
    "unexercised": "",
    "too short": "",
    "empty log": "",
    "controller silent": "",
    "cyclic message missing": "state=changes",
    "controller does not notice": "answers=none unasked=no state=always off",
    "nothing shows it": "",
    "observed only, healthy": WELL,
    "observed only, dead": "answers=none unasked=no state=always off",
    "observed only, never seen off": WELL,
    "status message away during the exercises": "",
}
RELEASE = {
    "healthy": DONE,
    "swapped": "",
    "dead": "",
    "late": "",
    "dead once": DONE,
    "stuck on": "run-on=alike",
    "stuck on after its first exercise": "run-on=alike dropped=no",
    "on from the start, never exercised": "run-on=alike",
    "goes off too late": "run-on=alike dropped=no",
    "right run-on": DONE,
    "wrong run-on": "run-on=alike dropped=no",
    "endless run-on": "run-on=alike dropped=no",
    "right cut-off": "cut-off=right dropped=no",
    "wrong cut-off": "cut-off=alike dropped=no",
    "no cut-off": "run-on=right cut-off=alike dropped=no",
    "cut-off not waited for": DONE,
    "dropped": "dropped=yes",
    "observed only, healthy": "",
    "empty log": "",
}
LOAD = {
    "healthy": "drops=no",
    "dead": "",
    "dropped": "drops=no",
    "open load": "current=none limit=below stray=no drops=no",
    "right load": "current=flows limit=below stray=no drops=no",
    "over-current": "current=flows limit=above stray=no",
    "stray current": "current=flows limit=below stray=yes drops=no",
}
LOOKS = {"right level": "level=right", "wrong level": "level=wrong", "healthy": ""}
FLASHES = {"right flashing": "flashing=right", "wrong flashing": "flashing=wrong", "healthy": ""}
CONTROLS = {"healthy": "", "marks say operated, signal does not move": "control=stands"}
MESSAGES = {
    "healthy": "",
    "controller silent": "",
    "cyclic message missing": "message=cyclic, absent",
    "message missing that may be sent on a change only": "message=sent on changes, absent",
    "status message missing": "message=cyclic, absent",
}
CONTROLLER = {
    "healthy": "controller=come restarts=none",
    "controller silent": "controller=none",
    "empty log": "",
}
QUESTIONED: list[tuple[Callable[[Asked], Iterator[Case]], dict[str, str]]] = [
    (routing.cases, ROUTING),
    (release.release_cases, RELEASE),
    (loads.cases, LOAD),
    (release.level_cases, LOOKS),
    (release.flash_cases, FLASHES),
    (controller.control_cases, CONTROLS),
    (bus.message_cases, MESSAGES),
    (controller.cases, CONTROLLER),
]
TABLE = [(cases, name, signs) for cases, table in QUESTIONED for name, signs in table.items()]

TALLIES = {
    "healthy": (3, 0, 0, 0, 0),
    "swapped": (0, 0, 3, 0, 3),
    "follows one control too many": (3, 0, 0, 0, 3),
    "dead once": (2, 0, 1, 0, 0),
    "late": (0, 3, 0, 0, 0),
    "stuck on": (0, 0, 0, 3, 0),
    "stuck on after its first exercise": (1, 0, 0, 2, 0),
    "observed only, dead": (0, 0, 3, 0, 0),
    "too short": (0, 0, 0, 0, 0),
}
"""Answered, late, unanswered, still on, unasked."""

CATALOGUE = {
    "no-traffic": ("bus", "traffic", 16),
    "lines-shorted": ("bus", "traffic", 2),
    "wrong-bit-rate": ("bus", "traffic", 4),
    "nobody-acknowledges": ("bus", "traffic", 4),
    "terminator-missing": ("bus", "errors", 4),
    "terminator-extra": ("bus", "errors", 2),
    "node-intermittent": ("bus", "errors", 4),
    "interference-from-output": ("bus", "errors", 4),
    "duplicate-identifier": ("bus", "identifiers", 2),
    "message-missing": ("bus", "messages", 8),
    "bus-stays-awake": ("bus", "sleep", 4),
    "recorder-loses": ("bus", "loss", 8),
    "controller-silent": ("controller", "controller", 8),
    "supply-sag": ("controller", "controller", 8),
    "common-ground": ("controller", "ground", 4),
    "supply-missing": ("controller", "shared", 4),
    "bus-plug-open": ("controller", "shared", 3),
    "control-not-noticed": ("controller", "shared", 6),
    "setting-differs": ("controller", "shared", 4),
    "control-never-changes": ("control", "control", 8),
    "outputs-swapped": ("output", "routing", 6),
    "output-follows-other-control": ("output", "routing", 6),
    "output-not-commanded": ("output", "routing", 8),
    "output-always-on": ("output", "routing", 4),
    "answer-late": ("output", "routing", 4),
    "run-on-differs": ("output", "release", 8),
    "cut-off-differs": ("output", "release", 8),
    "level-differs": ("output", "level", 6),
    "flash-differs": ("output", "flashing", 4),
    "load-open": ("output", "load", 8),
    "load-over-current": ("output", "load", 8),
    "output-not-fed": ("output", "load", 4),
    "output-intermittent": ("output", "load", 4),
}
"""Scope as contracted, question, and how common each is (8 everyday, 4 common, 2 now and then)."""


def case_of(cases: Callable[[Asked], Iterator[Case]], evidence: Evidence, *, subject: str = "siren") -> Case | None:
    """Return the case that is about the siren, its control, or the whole bus; None where the question is not put."""
    every = list(cases(Asked(evidence)))
    return next((each for each in every if each.subject in {(subject,), ()}), None)


def signs_of(cases: Callable[[Asked], Iterator[Case]], one: Job) -> dict[str, str]:
    found = case_of(cases, one.evidence)
    return {each.symptom: each.value for each in found.signs} if found else {}


def sentences(cases: Callable[[Asked], Iterator[Case]], one: Job) -> list[str]:
    found = case_of(cases, one.evidence)
    return [each.sentence for each in found.signs] if found else []


def told(one: Job) -> dict[str, float]:
    return {each.cause: each.probability for each in ranked(one.evidence)}


@pytest.mark.parametrize(("cases", "name", "signs"), TABLE, ids=lambda each: getattr(each, "__name__", str(each)))
def test_the_signs_are(cases: Callable[[Asked], Iterator[Case]], name: str, signs: str) -> None:
    found = next(
        (each for each in cases(Asked(checkup_of(name).evidence[0])) if each.subject != ("lamp",)),
        Case("", (), ()),
    )
    assert " ".join(f"{each.symptom}={each.value}" for each in found.signs) == signs


@pytest.mark.parametrize("name", TALLIES)
def test_the_tally_is(name: str) -> None:
    one = routing.tally(checkup_of(name).evidence[0], "siren")
    answered, late, unanswered, still_on, unasked = TALLIES[name]
    assert (one.answered, one.late, one.unanswered, one.still_on, one.unasked) == TALLIES[name]
    assert (one.due, one.unwanted) == (answered + late + unanswered, still_on + unasked)


def test_the_catalogue_is_as_contracted_and_as_the_trade_weighs_it() -> None:
    assert {each.name: (each.scope, each.question, each.weight) for each in ALL} == CATALOGUE


def test_any_two_causes_of_one_question_have_a_test_that_splits_them() -> None:
    for one in ALL:
        for other in ALL:
            if one.question == other.question and one is not other:
                assert best_trial(one.name, other.name).splits(one.name, other.name)


def test_every_question_has_causes_and_every_cause_a_question() -> None:
    assert {each.name for each in QUESTIONS} == {each.question for each in ALL}
    assert [(each.name, each.scope) for each in QUESTIONS] == [
        ("traffic", "bus"),
        ("shared", "controller"),
        ("controller", "controller"),
        ("ground", "controller"),
        ("messages", "bus"),
        ("loss", "bus"),
        ("identifiers", "bus"),
        ("errors", "bus"),
        ("sleep", "bus"),
        ("control", "control"),
        ("load", "output"),
        ("routing", "output"),
        ("release", "output"),
        ("level", "output"),
        ("flashing", "output"),
    ], "an earlier question explains a later one"


# Routing.


def test_sentences_of_routing_bear_the_numbers() -> None:
    assert sentences(routing.cases, with_siren(siren(answering(HORN[:2])))) == [
        "2 of 3 exercises answered in time",
        "0 of 2 answers too late",
        "never on without being asked",
        "it turns on and off",
        "what siren does fits 'horn'",
    ]
    assert sentences(routing.cases, swapped()) == [
        "0 of 3 exercises answered in time",
        "on without being asked (3×)",
        "it turns on and off",
        "siren follows 'brake', and lamp follows 'horn'",
    ]
    assert "it was never seen on, through 3 exercises" in sentences(routing.cases, with_siren(siren([])))
    outputs = {"siren": planned("horn", answering(BRAKE)), "lamp": planned("brake", [])}
    taken = job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)
    assert sentences(routing.cases, taken)[-1] == "siren follows 'brake', the rule of lamp"
    assert sentences(routing.cases, with_siren(siren(answering(BRAKE))))[-1] == "siren follows 'brake'"


def test_exchanged_outputs_are_suspected_as_a_pair_in_one_order() -> None:
    for name in ("siren", "lamp"):
        case = case_of(routing.cases, swapped().evidence, subject=name)
        assert case is not None
        (pair,) = case.suspects["outputs-swapped"]
        assert (pair.subject, pair.share) == (("lamp", "siren"), 1.0)
        assert case.words["other"] == ({"siren", "lamp"} - {name}).pop()
    healthy = case_of(routing.cases, with_siren(siren()).evidence)
    assert healthy is not None
    assert healthy.suspects == {"outputs-swapped": ()}
    assert healthy.words["other"] == "the other output"


def test_two_partners_share_the_suspicion() -> None:
    outputs = {
        "siren": planned("horn", answering(BRAKE)),
        "lamp": planned("brake", answering(HORN)),
        "bell": planned("brake", answering(HORN)),
    }
    case = case_of(routing.cases, job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24).evidence)
    assert case is not None
    assert [(each.subject, each.share) for each in case.suspects["outputs-swapped"]] == [
        (("lamp", "siren"), 0.5),
        (("bell", "siren"), 0.5),
    ]


@pytest.mark.parametrize(("late", "value"), [(0, "none"), (1, "some"), (2, "most"), (3, "most")])
def test_being_late_is_the_rule_from_half_of_the_exercises_on(late: int, value: str) -> None:
    horn = presses(4)
    on = [*answering(horn[:late], delay_s=0.6), *answering(horn[late:])]
    one = with_siren(siren(on), horn=horn)
    assert signs_of(routing.cases, one)["late"] == value
    tally = routing.tally(one.evidence, "siren")
    assert (tally.answered, tally.late) == (4 - late, late)


def test_answers_forgiven_for_slow_rows_count_as_late_beside_late_ones() -> None:
    # rows every 0.5 s: an answer seen 0.5 s after its edge is in time for the verdict, its deadline of 0.2 s being past
    horn = [(2.0, 4.0), (6.0, 8.0), (10.0, 12.0)]
    slow = wave([(2.4, 4.2), (6.4, 8.2), (11.2, 12.2)], cycle_s=0.5)
    one = job({"horn": horn}, {"siren": planned("horn", slow, within_s=0.2)}, end_s=16)
    own = one.output("siren").answers
    assert (len(own.answered), len(own.late)) == (2, 1)
    tally = routing.tally(one.evidence, "siren")
    assert (tally.answered, tally.late) == (0, 3)
    early = wave([(2.1, 4.2), (6.1, 8.2), (10.1, 12.2)], cycle_s=0.5)
    prompt = job({"horn": horn}, {"siren": planned("horn", early, within_s=0.2)}, end_s=16)
    assert routing.tally(prompt.evidence, "siren").late == 0


def test_flashing_alone_is_no_coming_on_unasked() -> None:
    tally = routing.tally(flash_job(4.0).evidence, "siren")
    assert (tally.answered, tally.unasked, tally.still_on) == (1, 0, 0)


def test_what_other_faults_explain_is_left_to_them() -> None:
    asked = Asked(with_siren(amps(0)).evidence)
    (case,) = [each for each in routing.cases(asked) if each.subject == ("siren",)]
    assert case.left == 1.0
    for question, cases in (("controller", controller.cases), ("load", loads.cases)):
        candidates = [each for each in ALL if each.question == question]
        for each in cases(asked):
            asked.found[question, each.subject] = answers_to(each, candidates)
    (case,) = [each for each in routing.cases(asked) if each.subject == ("siren",)]
    others = asked.wrong("load", ("siren",), but=["load-open", "output-not-fed"]) + asked.wrong(
        "controller", (), but=["supply-sag"]
    )
    assert 0 < others < 0.05
    assert case.left == pytest.approx(1 - others, abs=1e-3)
    assert asked.wrong("load", ("siren",)) > 0.9, "an open load explains no missing answer"


# Release and looks.


def test_a_timer_of_which_some_are_overdue_is_measured_by_those_that_ended() -> None:
    timed = {"run_on_s": 2.0, "run_on_tolerance_s": 0.5}
    on = [(2.05, 8.05), (12.05, 40.0)]
    one = job({"horn": [(2.0, 3.0), (12.0, 13.0)]}, {"siren": siren(on, **timed)}, end_s=40, min_exercises=1)
    assert "its run-on is 5.06 s, planned 2 s" in sentences(release.release_cases, one)
    assert signs_of(release.release_cases, one)["run-on"] == "alike"


@pytest.mark.parametrize(("offs", "value"), [((5.0, 5.1, 5.2), "alike"), ((4.0, 6.0, 9.0), "scattered")])
def test_times_that_scatter_are_no_timers(offs: tuple[float, ...], value: str) -> None:
    horn = presses(3, every_s=14.0)
    on = [(start + 0.05, stop + off_s) for (start, stop), off_s in zip(horn, offs, strict=True)]
    one = job({"horn": horn}, {"siren": siren(on, run_on_s=2.0, run_on_tolerance_s=0.5)}, end_s=50)
    assert signs_of(release.release_cases, one)["run-on"] == value


def test_drops_are_counted() -> None:
    long = [(2.0, 12.0)]
    one = with_siren(siren([(2.05, 4.0), (5.0, 7.0), (8.0, 12.05)]), horn=long, min_exercises=1)
    assert "went off 2 times while asked for" in sentences(release.release_cases, one)


def test_levels_are_told_by_their_light_the_wrong_one_first() -> None:
    shown = wave(answering(HORN), on=60)
    dusk = [(4.0, 24.0)]
    lamp = siren(level=shown, level_day=60.0, level_night=30.0, night="dusk")
    one = job({"horn": HORN, "dusk": dusk}, {"siren": lamp}, end_s=24)
    assert sentences(release.level_cases, one) == ["its level is by night 60, planned 30"]
    assert signs_of(release.level_cases, one) == {"level": "wrong"}
    bright = replace(lamp, options={**lamp.options, "level_night": 60.0})
    right = job({"horn": HORN, "dusk": dusk}, {"siren": bright}, end_s=24)
    assert sentences(release.level_cases, right) == ["its level is by day 60, planned 60"]


def test_flashing_is_told_with_both_frequencies() -> None:
    assert sentences(release.flash_cases, flash_job(2.0)) == ["it flashes at 2 Hz, planned 4 Hz"]


def test_a_cut_off_is_suspected_only_where_one_is_planned() -> None:
    plain = case_of(release.release_cases, with_siren(siren()).evidence)
    timed = case_of(release.release_cases, checkup_of("right cut-off").evidence[0])
    assert plain is not None
    assert timed is not None
    assert (plain.suspects, timed.suspects) == ({"cut-off-differs": ()}, {})


# Loads.


def drawing(on: Sequence[Span], *, high: int = 95, after: int = 50, **options: object) -> Job:
    """Return a job of one long press whose current is high for a moment."""
    load = Wave([(2.05, high), (2.45, after), (10.05, 0)])
    limits: Any = {"load_a": 5.0, "continuous_a": 6.0, "peak_a": 9.0, **options}
    own = planned("horn", on, current=load, **limits)
    return job({"horn": [(2.0, 10.0)]}, {"siren": own}, end_s=14, min_exercises=1)


def test_a_current_that_gives_out_is_told_from_one_that_flows() -> None:
    held = drawing([(2.05, 10.05)])
    assert signs_of(loads.cases, held) == {"current": "flows", "limit": "above", "stray": "no"}
    tripped = drawing([(2.05, 2.45)], after=0)
    assert signs_of(loads.cases, tripped) == {"current": "gives out", "limit": "above", "stray": "no"}
    dead = drawing([(2.05, 10.05)], after=0)
    assert signs_of(loads.cases, dead)["current"] == "gives out"
    assert sentences(loads.cases, dead)[:2] == [
        "its current flows for a moment and then stops",
        "its current reaches 9.5 A, limit 9 A",
    ]


def test_an_inrush_that_the_plan_allows_is_above_for_a_moment() -> None:
    short = drawing([(2.05, 10.05)], high=70, peak_a=None, peak_s=1.0)
    assert signs_of(loads.cases, short) == {"current": "flows", "limit": "for a moment", "stray": "no"}
    assert "limit 6 A" in sentences(loads.cases, short)[1]
    plain = drawing([(2.05, 10.05)], high=60, peak_a=None)
    assert signs_of(loads.cases, plain)["limit"] == "below"
    unlimited = drawing([(2.05, 10.05)], peak_a=None, continuous_a=None)
    assert "limit" not in signs_of(loads.cases, unlimited)


def test_a_load_is_judged_only_while_it_is_on() -> None:
    never = with_siren(siren([], current=wave([]), load_a=5.0, continuous_a=6.0))
    assert signs_of(loads.cases, never) == {}


@pytest.mark.parametrize(("volts", "value"), [(120, "there"), (0, "none")])
def test_voltage_is_there_or_not(volts: int, value: str) -> None:
    one = with_siren(siren(voltage=wave(answering(HORN), on=volts)))
    assert signs_of(loads.cases, one) == {"drops": "no", "voltage": value}
    assert signs_of(loads.cases, with_siren(siren([], voltage=wave([])))) == {}
    case, plain = (case_of(loads.cases, each.evidence) for each in (one, with_siren(amps(0))))
    assert case is not None
    assert plain is not None
    assert (case.suspects, plain.suspects) == ({}, {})


# Controller and controls.


def test_restarts_are_told_by_the_output_that_goes_with_most_of_them() -> None:
    presses_s = presses(5, hold_s=2.0, every_s=6.0)
    gaps = [(a + 0.25, a + 0.95) for a, _ in presses_s]
    outputs = {
        "siren": planned("horn", wave(answering(presses_s), silent=gaps)),
        "lamp": planned("brake", wave(answering([(40.0, 41.0)]), silent=gaps)),
    }
    one = job({"horn": presses_s, "brake": [(40.0, 41.0)]}, outputs, end_s=44)
    case = case_of(controller.cases, one.evidence)
    assert case is not None
    assert [(each.symptom, each.value) for each in case.signs] == [("controller", "come"), ("restarts", "at turn-on")]
    assert case.signs[1].sentence == "it fell silent 5 times, 5 of them just after siren turned on"
    assert [each.subject for each in case.suspects["supply-sag"]] == [("siren",), ("lamp",)]
    assert sum(each.share for each in case.suspects["supply-sag"]) == pytest.approx(1)
    assert case.words["output"] == "siren"
    assert case.suspects["controller-silent"] == (Suspect(("Box",)),)


@pytest.mark.parametrize(("strays", "value"), [(1, "at turn-on"), (3, "elsewhere")])
def test_restarts_go_with_an_output_if_seven_of_ten_do(strays: int, value: str) -> None:
    presses_s = presses(5, hold_s=2.0, every_s=8.0)
    gaps = [(a + 0.25, a + 0.95) for a, _ in presses_s[strays:]]
    gaps += [(a + 4.0, a + 4.7) for a, _ in presses_s[:strays]]
    own = planned("horn", wave(answering(presses_s), silent=sorted(gaps)))
    one = job({"horn": presses_s}, {"siren": own}, end_s=48)
    assert signs_of(controller.cases, one)["restarts"] == value


def test_a_control_that_moved_is_counted_with_its_marks() -> None:
    one = with_siren(siren(), marks=[(start, "horn") for start, _ in HORN])
    (case,) = controller.control_cases(Asked(one.evidence))
    assert case.signs == (Sign("control", "moves", "operated 3 times by the marks, its signal shows 3 edges"),)
    assert case.subject == ("horn",)
    assert list(controller.control_cases(Asked(with_siren(siren()).evidence))) == []


# The bus.


@pytest.mark.parametrize(
    ("ohms", "value"),
    [
        (4.9, "short"),
        (5.0, "odd"),
        (30.0, "three"),
        (49.9, "three"),
        (50.0, "two"),
        (79.9, "two"),
        (80.0, "one"),
        (159.9, "one"),
        (160.0, "odd"),
        (999.0, "odd"),
        (1000.0, "open"),
    ],
)
def test_ohms_are_told_by_the_number_of_resistors(ohms: float, value: str) -> None:
    evidence = with_siren(siren()).evidence
    assert list(bus.ohm_signs(evidence)) == []
    metered = replace(evidence, readings=Readings(values={"h_l_ohm": Reading("h_l_ohm", ohms)}))
    assert [each.value for each in bus.ohm_signs(metered)] == [value]
    limited = replace(evidence, readings=Readings(values={"h_l_ohm": Reading("h_l_ohm", ohms, (ohms, ohms))}))
    assert [each.value for each in bus.ohm_signs(limited)] == ["two"]


def test_a_message_of_a_silent_controller_is_not_missing_by_itself() -> None:
    evidence = checkup_of("controller silent").evidence[0]
    assert evidence.missing_messages
    assert list(bus.message_cases(Asked(evidence))) == []
    assert list(bus.message_cases(Asked(replace(evidence, controller_seen=True))))


def test_a_message_that_no_rule_needs_is_told_apart() -> None:
    evidence = replace(checkup_of("healthy").evidence[0], absent_messages=("Horn",))
    (case,) = bus.message_cases(Asked(evidence))
    assert (case.signs[0].value, case.subject) == ("not needed, absent", ("Horn",))
    assert case.words["message"] == "Horn (0x100)"


# Weighing and ranking.


def test_the_unknown_fault_weighs_the_usual_value_six_to_the_rest() -> None:
    found = answers_to(Case("level", (), (Sign("level", "right", ""),)), [])
    assert found[0].candidate is None
    wrong = answers_to(Case("level", (), (Sign("level", "wrong", ""),)), [])
    assert found[0].probability == pytest.approx(0.5 * 0.6 / (0.5 * 0.6 + 1000 * 0.9999))
    assert wrong[0].probability == pytest.approx(0.5 * 0.4 / (0.5 * 0.4 + 1000 * 0.0001))


def test_suspects_share_what_their_cause_weighs() -> None:
    cause = next(each for each in ALL if each.name == "supply-sag")
    suspects = {"supply-sag": (Suspect(("a",), 0.75), Suspect(("b",), 0.25))}
    case = Case("controller", (), (Sign("restarts", "at turn-on", ""),), suspects)
    a, b = [each for each in answers_to(case, [cause]) if each.candidate]
    assert (a.suspect.subject, b.suspect.subject) == (("a",), ("b",))
    assert a.probability == pytest.approx(3 * b.probability)
    assert [each.candidate for each in answers_to(replace(case, suspects={"supply-sag": ()}), [cause])] == [None]


def test_signs_are_compared_with_what_is_usual() -> None:
    cause = next(each for each in ALL if each.name == "level-differs")
    found = answers_to(Case("level", (), (Sign("level", "wrong", ""),)), [cause])[0]
    assert found.signs[0][0] == pytest.approx(np.log(0.98 / 0.0001))


def test_what_was_found_before_can_be_asked_for() -> None:
    cause = next(each for each in ALL if each.name == "level-differs")
    asked = Asked(with_siren(siren()).evidence)
    assert (asked.wrong("level", ("siren",)), asked.probability("level-differs")) == (0, 0)
    asked.found["level", ("siren",)] = answers_to(Case("level", ("siren",), (Sign("level", "wrong", ""),)), [cause])
    every = asked.wrong("level", ("siren",))
    assert every > asked.wrong("level", ("siren",), but=["level-differs"]) > 0
    rest = asked.wrong("level", ("siren",), but=["level-differs"])
    assert asked.probability("level-differs") == pytest.approx(every - rest)
    assert asked.probability("load-open") == 0
    assert asked.wrong("level", ("lamp",)) == 0


def test_only_weighty_signs_are_said_three_at_most_the_weightiest_first() -> None:
    found = {each.cause: each for each in ranked(swapped().evidence)}["outputs-swapped"]
    assert len(found.because) == 3
    assert {"siren", "lamp"} <= set(found.because[0].split()), "the pair stands first"
    assert "follows" in found.because[1]
    assert found.because[2] == "0 of 3 exercises answered in time"
    assert found.against == ()
    assert found.probability <= 1
    dead = {each.cause: each for each in ranked(with_siren(siren([])).evidence)}["output-not-commanded"]
    assert dead.because == ("it was never seen on, through 3 exercises", "0 of 3 exercises answered in time")
    assert dead.against == ()


def test_what_speaks_against_is_said_too() -> None:
    once = {each.cause: each for each in ranked(with_siren(siren(answering(HORN[:2]))).evidence)}
    named = [each for each in once.values() if each.against]
    assert all(len(each.against) <= 3 for each in named)
    late = ranked(job({"horn": HORN}, {"siren": planned("horn", answering(HORN, delay_s=0.6))}, end_s=14).evidence)
    assert late[0].because[0] == "3 of 3 answers too late"


def test_causes_below_a_twentieth_are_not_told_and_the_rest_falls() -> None:
    for name in SITUATIONS:
        chances = [each.probability for each in checkup_of(name).result.causes]
        assert chances == sorted(chances, reverse=True)
        assert all(each >= 0.05 for each in chances)


def test_too_little_evidence_says_why() -> None:
    poor = checkup_of("poor recording, healthy").result.causes
    assert poor[0].because == ("the recording is poor: 1922 of 3844 lines could not be read",)
    unseen = job({"horn": HORN}, {"siren": planned("horn")}, end_s=12)
    assert ranked(unseen.evidence)[0].because == ("nothing shows any output of the plan",)
    rested = job({"horn": []}, {"siren": planned("horn", [])}, end_s=12)
    assert ranked(rested.evidence)[0].because == ("no exercise was made that could be judged",)
    assert ranked(rested.evidence)[0].probability == 1.0
    assert ranked(with_siren(siren()).evidence) == ()
    assert ranked(replace(rested.evidence, outputs={})) == ()


def test_a_caution_is_given_for_every_safety_item_once() -> None:
    outputs = {
        "siren": planned("horn", answering(BRAKE), safety="horn"),
        "lamp": planned("brake", answering(HORN), safety="stop-lamp"),
    }
    found = ranked(job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24).evidence)[0]
    assert found.cause == "outputs-swapped"
    assert found.caution.count("Warn people nearby") == 1
    assert found.caution.count("Safety item") == 1


def test_words_of_a_sentence_are_those_of_the_plan() -> None:
    own = siren(run_on_s=2.0, run_on_tolerance_s=0.5, terminal="pin 4", load="horn relay")
    evidence = with_siren(own).evidence
    words = output_words(evidence, "siren", other="lamp", rule="brake")
    assert (words["terminal"], words["load"], words["control"], words["rule"]) == (
        "pin 4",
        "horn relay",
        "horn",
        "horn",
    )
    assert (words["other"], words["follows"], words["within"]) == ("lamp", "brake", "0.3 s")
    assert (words["run_on"], words["cut_off"], words["node"]) == ("2 s", "0 s", "Box")
    plain = output_words(with_siren(siren(cut_after_s=5.0)).evidence, "siren")
    assert (plain["terminal"], plain["load"]) == ("the terminal of siren", "the load of siren")
    assert (plain["run_on"], plain["cut_off"], plain["follows"]) == ("0 s", "5 s", "another control")
    assert bus_words(evidence, output="x")["output"] == "x"


def test_the_cheapest_test_that_splits_is_chosen() -> None:
    assert best_trial("no-traffic", "lines-shorted") is TRIALS[0]
    assert best_trial("load-open", None).shows["load-open"]
    assert best_trial("none-of-these", None) is PLAIN
    own = best_trial("output-always-on", None)
    assert next(iter(own.shows)) == "output-always-on", "without a rival the test that is made for it"
    assert "If it is" not in sentence(own, "output-always-on", None, {})


def test_a_node_whose_messages_stay_away_together_twice_is_suspected() -> None:
    gaps = [(5.0, 6.0), (9.0, 10.0)]
    outputs = {"siren": planned("horn", wave(answering(HORN), silent=gaps))}
    one = job({"horn": HORN}, outputs, end_s=24)
    assert errors.nodes_with_gaps(one.evidence) == {"Box": 2}
    once = job({"horn": HORN}, {"siren": planned("horn", wave(answering(HORN), silent=gaps[:1]))}, end_s=24)
    assert errors.nodes_with_gaps(once.evidence) == {}


def test_candidates_print_their_table_in_percent() -> None:
    cause = Candidate("a", "output", "level", 4, {"level": {"right": 0.02, "wrong": 0.98}}, "a: b.\n")
    assert cause.manual == (
        "a: b.\n\nTable\n"
        "    Weight before anything is seen: 4 (8 everyday, 4 common, 2 now and then, 1 rare).\n\n"
        "    level: right 2 %, wrong 98 %.\n"
    )
