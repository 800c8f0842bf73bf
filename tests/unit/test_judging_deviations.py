"""Deviations: the links, tallies and next exercises of every kind of install, and what excuses an output."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.checkup import check
from canlens.judging import Deviation, deviations, followed, wrongs
from canlens.judging.deviations import OWN, WORDS, Followed
from canlens.measures.gathering import evidence as gather
from canlens.nouns.outputs import Places
from canlens.plan import Observation, Rule, parse_rule
from canlens.results.check import LINKS
from tests.unit.judged_situations import (
    BRAKE,
    HORN,
    SITUATIONS,
    checkup_of,
    flash_job,
    siren,
    swapped,
    with_siren,
)
from tests.unit.small_jobs import Job, answering, flashes, job, operated, planned, presses, wave

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.outputs import Evidence
    from canlens.results.check import OutputResult
    from tests.unit.small_jobs import Span

ONCE = "operate horn 3 times, each time for at least 0.5 s"
LONGER = "operate horn 3 times, each time for at least 1.4 s"
WATCHED = ", watch siren and note with --observed what it does"
RELEASED = "operate nothing while horn is off, for at least 1.4 s"
STATES = {"seen": "s", "broken": "B", "cannot-tell": "-"}

SEEN: dict[str, tuple[str, str, str | None]] = {
    "healthy": ("ssss-s--s", "", None),
    "swapped": ("ssss-B---", "3 unanswered, 3 unasked", None),
    "wrongly mapped": ("ssss-B---", "3 unanswered, 3 unasked", None),
    "follows one control too many": ("ssss-B--s", "3 unasked", None),
    "dead": ("ssss-B---", "3 unanswered", None),
    "dead once": ("ssss-B--s", "1 unanswered", None),
    "late": ("ssss-B--B", "3 late, 3 wrong-run-on", None),
    "stuck on": ("ssss-B--B", "3 unanswered, 4 stuck", None),
    "stuck on after its first exercise": ("ssss-B--B", "2 unanswered, 3 stuck", None),
    "on from the start, never exercised": ("ss-s----B", "1 stuck", ONCE),
    "goes off too late": ("ssss-s--B", "3 wrong-run-on", None),
    "right run-on": ("ssss-s--s", "", None),
    "wrong run-on": ("ssss-s--B", "1 wrong-run-on", None),
    "endless run-on": (
        "ssss-s--B",
        "1 stuck",
        "operate horn once, for at least 0.5 s, then leave it alone for 7.5 s",
    ),
    "right cut-off": ("ssss-s--s", "", None),
    "wrong cut-off": ("ssss-s--B", "1 wrong-cut-off", None),
    "no cut-off": ("ssss-s--B", "1 never-cut-off", None),
    "cut-off not waited for": ("ssss-s--s", "", "operate horn once, for at least 10.5 s"),
    "dropped": ("ssss-s--B", "1 dropped", None),
    "right level": ("ssss-s--s", "", None),
    "wrong level": ("ssss-B--s", "3 wrong-level-by-day", None),
    "right flashing": ("ssss-s--s", "", None),
    "wrong flashing": ("ssss-B--s", "1 wrong-flashing", None),
    "open load": ("ssss-sB-s", "3 no-current", None),
    "right load": ("ssss-ss-s", "", None),
    "over-current": ("ssss-sB-s", "3 over-current, 3 off-label", None),
    "stray current": ("ssss-sB-s", "4 stray-current", None),
    "unexercised": ("ss-s-----", "", ONCE),
    "too few": ("ssss-s--s", "", "operate horn once more, for at least 0.5 s"),
    "too short": ("ssss-----", "", ONCE),
    "confounded": ("ssss-s--s", "", "operate brake once while horn is off, for at least 2.0 s"),
    "empty log": ("B--------", "", LONGER),
    "controller silent": ("sssB-----", "", LONGER),
    "cyclic message missing": ("sB-s-----", "", ONCE),
    "message missing that may be sent on a change only": ("s--s-----", "", ONCE),
    "status message missing": ("ssss-----", "", LONGER),
    "poor recording, healthy": ("ssss-s--s", "", ONCE),
    "marks say operated, signal does not move": ("ssBs-----", "0 unmoved-control", ONCE),
    "controller does not notice": ("ssssBB---", "3 unanswered", None),
    "controller notices": ("ssssss--s", "", None),
    "nothing shows it": ("ssss-----", "", LONGER + WATCHED),
    "observed only, healthy": ("ssss---s-", "", None),
    "observed only, dead": ("ssss-----", "3 unanswered", RELEASED + WATCHED),
    "observed only, never seen off": ("ssss---s-", "", RELEASED + WATCHED),
    "seen otherwise than commanded": ("ssss-s-Bs", "1 seen-otherwise", None),
    "status message away during the exercises": (
        "ssss-----",
        "",
        "operate horn 3 times, each time for at least 0.4 s",
    ),
}
"""Situation -> links in their order (seen, Broken, - cannot tell), what is wrong and how often, the next exercise."""


def links_of(own: OutputResult) -> str:
    return "".join(STATES[own.links[link]] for link in LINKS)


def said(found: Sequence[Deviation]) -> str:
    return ", ".join(f"{len(each.steps)} {each.kind}" for each in found)


def instead(one: Job, name: str) -> Followed:
    return followed(one.evidence, name)


def test_every_situation_is_looked_at() -> None:
    assert list(SEEN) == list(SITUATIONS)


@pytest.mark.parametrize("name", SEEN)
def test_links_tallies_and_next_exercise_are(name: str) -> None:
    links, wrong, following = SEEN[name]
    checkup = checkup_of(name)
    own = checkup.result.outputs["siren"]
    found = deviations(checkup.evidence[0], "siren")
    assert (links_of(own), said(found), own.next_exercise) == (links, wrong, following)
    assert not any(each.excused_by for each in found)
    assert own.first_broken_link == next((link for link in LINKS if own.links[link] == "broken"), None)
    assert all(own.links[each.link] == "broken" for each in found if each.link)


@pytest.mark.parametrize(("name", "shown"), [(name, each) for name, each in SEEN.items() if each[1]])
def test_only_what_is_asked_for_is_returned(name: str, shown: tuple[str, str, str | None]) -> None:
    evidence = checkup_of(name).evidence[0]
    for each in deviations(evidence, "siren"):
        assert said(deviations(evidence, "siren", each.kind)) in shown[1]
        assert said(wrongs(evidence, "siren", each.kind)) in shown[1]


def test_every_kind_has_its_sentence() -> None:
    for kind, words in WORDS.items():
        one = Deviation(kind, "", Places.none(), np.array([1.0]), np.array([1.0]), planned=2.0, control="horn")
        assert "{" not in one.sentence
        assert one.sentence
        assert words


def test_figures_stand_in_the_sentence() -> None:
    two = Places(np.arange(2), np.arange(2.0))
    low, high = np.array([1.0, 1.2, 9.0]), np.array([1.004, 1.205, 9.5])
    assert Deviation("wrong-run-on", "", two, low, high, 3.0).sentence == "run-on is 1.21 s, planned 3 s"
    assert Deviation("wrong-run-on", "", two, low, high + 0.01, 3.0).sentence == "run-on is 1.20 to 1.22 s, planned 3 s"
    assert Deviation("wrong-run-on", "", two, low, high, 0.0).sentence == "went off too late (1.21 s after its rule)"
    assert Deviation("stuck", "", two, low, high, 0.0).sentence == "stayed on while its rule was off"
    assert Deviation("unasked", "", two).sentence == "came on 2 times without being asked"
    assert Deviation("unanswered", "", two, due=5).sentence == "2 of 5 exercises not answered"


def test_night_levels_are_theirs() -> None:
    lamp = siren(level=wave(answering(HORN), on=60), level_day=60.0, level_night=30.0, night="dusk")
    one = job({"horn": HORN, "dusk": [(0.5, 24.0)]}, {"siren": lamp}, end_s=24)
    assert said(deviations(one.evidence, "siren")) == "3 wrong-level-by-night"
    own = one.result("siren")
    assert (own.observed_how.level_day, own.observed_how.level_night) == (None, 60)
    assert own.reason == "level by night is 60, planned 30"


def test_no_voltage_breaks_the_output() -> None:
    one = with_siren(siren(voltage=wave([]), current=wave(answering(HORN), on=50)))
    assert said(deviations(one.evidence, "siren")) == "3 no-voltage"
    assert one.result("siren").links["output"] == "broken"


def test_what_load_says_needs_an_answer_to_hold() -> None:
    resting = siren([], current=wave([]), load_a=5.0)
    assert links_of(with_siren(resting, horn=[]).result("siren")) == "ss-s-----"
    dead = with_siren(siren([], current=wave([]), load_a=5.0)).result("siren")
    assert links_of(dead) == "ssss-B---"


# What an output follows instead.


def test_exchanged_outputs_follow_each_other_and_say_how_often() -> None:
    lamp = parse_rule("brake", ["brake"])
    assert instead(swapped(), "siren") == Followed("exchanged", (lamp,), ("lamp",), 3)
    assert instead(swapped(), "lamp").partner == "siren"
    assert {each.rule for each in deviations(swapped().evidence, "siren")} == {lamp}


def test_one_exercise_of_either_is_a_guess_but_no_finding() -> None:
    horn, brake = presses(1), presses(3, first_s=12)
    outputs = {"siren": planned("horn", answering(brake)), "lamp": planned("brake", answering(horn))}
    one = job({"horn": horn, "brake": brake}, outputs, end_s=24)
    assert (instead(one, "siren").value, instead(one, "siren").answered) == ("exchanged", 1)
    assert (instead(one, "lamp").value, instead(one, "lamp").answered) == ("exchanged", 1)
    assert {each.instead for each in deviations(one.evidence, "siren")} == {OWN}
    assert {each.rule for each in deviations(one.evidence, "siren")} == {None}


def test_two_outputs_that_both_follow_one_control_are_not_exchanged() -> None:
    fan = presses(3, first_s=22)
    outputs = {
        "siren": planned("horn", answering(fan)),
        "lamp": planned("brake", answering(fan)),
        "fan": planned("key", answering(fan)),
    }
    one = job({"horn": HORN, "brake": BRAKE, "key": fan}, outputs, end_s=34)
    for name in ("siren", "lamp"):
        found = instead(one, name)
        assert (found.value, found.rules, found.partners) == ("other", (Rule.of("key"),), ())
    assert instead(one, "fan") == OWN
    assert one.findings("exchanged-outputs") == []
    assert {each.subject for each in one.findings("misrouted-output")} == {("siren", "fan"), ("lamp", "fan")}


def test_an_output_that_takes_the_rule_of_another_wrong_one() -> None:
    outputs = {"siren": planned("horn", answering(BRAKE)), "lamp": planned("brake", [])}
    one = job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)
    found = instead(one, "siren")
    assert (found.value, found.rules, found.partners, found.answered) == (
        "another's",
        (Rule.of("brake"),),
        ("lamp",),
        3,
    )
    assert instead(one, "lamp").value == "none"


def test_a_ring_of_three_names_whose_rule_each_one_follows() -> None:
    key = presses(3, first_s=22)
    outputs = {
        "siren": planned("horn", answering(BRAKE)),
        "lamp": planned("brake", answering(key)),
        "fan": planned("key", answering(HORN)),
    }
    one = job({"horn": HORN, "brake": BRAKE, "key": key}, outputs, end_s=34)
    assert [(instead(one, name).value, instead(one, name).partner) for name in outputs] == [
        ("another's", "lamp"),
        ("another's", "fan"),
        ("another's", "siren"),
    ]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("healthy", "own"),
        ("late", "own"),
        ("dead once", "own"),
        ("dead", "none"),
        ("stuck on", "none"),
        ("on from the start, never exercised", "none"),
        ("wrongly mapped", "other"),
        ("follows one control too many", "other"),
        ("observed only, dead", "none"),
        ("wrong level", "own"),
    ],
)
def test_what_an_output_follows_is(name: str, value: str) -> None:
    found = followed(checkup_of(name).evidence[0], "siren")
    assert found.value == value
    assert bool(found.rules) == (value == "other")


def test_a_single_control_that_explains_all_by_one_exercise_is_named() -> None:
    one = with_siren(siren(answering(BRAKE[:1])), horn=HORN)
    single = job({"horn": HORN, "brake": BRAKE[:1]}, {"siren": siren(answering(BRAKE[:1]))}, end_s=24)
    assert instead(one, "siren").value == "none"
    assert instead(single, "siren") == Followed("other", (Rule.of("brake"),), answered=1)
    assert {each.instead for each in deviations(single.evidence, "siren")} == {OWN}


def test_an_output_with_the_same_rule_is_no_rival() -> None:
    outputs = {"siren": planned("horn", answering(BRAKE)), "bell": planned("horn", answering(BRAKE))}
    one = job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)
    assert {instead(one, name).value for name in outputs} == {"other"}


# Excuses: restarts of the controller.


PRESSED = presses(3, hold_s=4.0, every_s=8.0)
AWAY: Span = (19.5, 20.0)


def restarted(on: Sequence[Span], *, away: Sequence[Span] = (AWAY,), end_s: float = 40, **options: object) -> Job:
    """Return a job whose controller is away for a moment in its third exercise, from 18 to 22 s."""
    own = planned("horn", wave(on, silent=away), **options)  # type: ignore[arg-type]
    return job({"horn": PRESSED}, {"siren": own}, end_s=end_s)


def of_siren(one: Job) -> list[tuple[str, int, str]]:
    return [(each.kind, len(each.steps), each.excused_by) for each in deviations(one.evidence, "siren")]


DROPPED = [*answering(PRESSED[:2]), (18.05, 19.3)]


def test_what_falls_into_a_restart_is_excused_and_leaves_the_output_open() -> None:
    one = restarted(DROPPED)
    assert of_siren(one) == [("dropped", 1, "restart")]
    assert wrongs(one.evidence, "siren") == ()
    checkup = one.checkup
    own = checkup.result.outputs["siren"]
    assert (own.verdict, own.reason) == (
        "not-proven",
        "went off once while still asked for, but Box restarted meanwhile",
    )
    assert (links_of(own), own.first_broken_link) == ("sssB-s--s", "controller")
    assert own.next_exercise == "operate horn once more, for at least 0.5 s"
    assert "release" in own.links_evidence or own.links["release"] == "seen"
    assert checkup.verdict == "failed", "a controller that restarts is a fault"
    assert [each.check for each in checkup.result.findings if each.severity == "failure"] == ["restarting-controller"]
    assert checkup.result.findings[0].subject == ("Box", "siren")


def test_what_lies_outside_stays_the_outputs_own() -> None:
    one = restarted([(2.05, 3.0), (10.05, 14.05), (18.05, 19.3)])
    assert of_siren(one) == [("dropped", 1, "restart"), ("dropped", 1, "")]
    assert one.result("siren").verdict == "failed"
    assert one.result("siren").links["release"] == "broken"


@pytest.mark.parametrize(("at_s", "excused"), [(17.9, False), (18.1, True), (19.4, True), (21.4, True), (21.6, False)])
def test_the_span_reaches_one_and_a_half_seconds_to_either_side(at_s: float, excused: bool) -> None:  # noqa: FBT001
    long = [(2.0, 6.0), (10.0, 30.0)]
    on = [(2.05, 6.05), (10.05, at_s), (at_s + 0.4, 30.05)]
    own = planned("horn", wave(on, silent=[AWAY]))
    one = job({"horn": long}, {"siren": own}, end_s=34)
    assert {each.excused_by for each in deviations(one.evidence, "siren", "dropped")} == {"restart" if excused else ""}


def test_without_a_restart_nothing_is_excused() -> None:
    assert of_siren(restarted(DROPPED, away=())) == [("dropped", 1, "")]


def test_late_answers_are_told_from_those_in_a_restart() -> None:
    late = [(start + 1.0, stop + 0.05) for start, stop in PRESSED]
    one = restarted(late, away=[(19.3, 19.8)])
    own, hidden = sorted(deviations(one.evidence, "siren", "late"), key=lambda each: each.excused_by)
    assert (len(own.steps), own.excused_by, len(own.least)) == (2, "", 2)
    assert (len(hidden.steps), hidden.excused_by, len(hidden.most)) == (1, "restart", 1)
    assert own.due == hidden.due == 3


@pytest.mark.parametrize(("away_s", "excused"), [(24.0, True), (32.4, True), (32.6, False)])
def test_a_timer_may_have_begun_anew_long_before_its_end(away_s: float, excused: bool) -> None:  # noqa: FBT001
    timed = {"run_on_s": 6.0, "run_on_tolerance_s": 0.5}
    one = restarted(answering(PRESSED[2:], run_on_s=14), away=[(away_s, away_s + 0.5)], end_s=60, **timed)
    found = [each for each in deviations(one.evidence, "siren") if each.kind == "wrong-run-on"]
    assert [each.excused_by for each in found] == ["restart" if excused else ""]


def test_a_timer_that_a_restart_hid_must_be_seen_once_more() -> None:
    timed = {"run_on_s": 6.0, "run_on_tolerance_s": 0.5, "min_exercises": 1}
    on = [*answering(PRESSED[:2], run_on_s=2), (18.05, 24.0)]
    one = restarted(on, away=[(23.0, 23.5)], **timed)
    assert of_siren(one) == [("wrong-run-on", 2, "restart"), ("wrong-run-on", 1, "")]
    assert one.result("siren").verdict == "failed", "the first run-on was too short by itself"
    alone = planned("horn", wave(on[2:], silent=[(23.0, 23.5)]), **timed)  # type: ignore[arg-type]
    hidden = job({"horn": PRESSED[2:]}, {"siren": alone}, end_s=40)
    assert of_siren(hidden) == [("wrong-run-on", 1, "restart")]
    following = "operate horn once, for at least 0.5 s, then leave it alone for 11.5 s"
    assert hidden.result("siren").next_exercise == following


def test_a_cut_off_that_a_restart_hid_must_be_seen_once_more() -> None:
    timed = {"cut_after_s": 10.0, "cut_after_tolerance_s": 0.5, "min_exercises": 1}
    own = planned("horn", wave([(2.05, 8.0)], silent=[(8.5, 9.0)]), **timed)  # type: ignore[arg-type]
    one = job({"horn": [(2.0, 20.0)]}, {"siren": own}, end_s=24)
    assert of_siren(one) == [("wrong-cut-off", 1, "restart")]
    assert one.result("siren").next_exercise == "operate horn once, for at least 15.5 s"
    never = planned("horn", wave([(2.05, 24.0)], silent=[(8.5, 9.0)]), **timed)  # type: ignore[arg-type]
    endless = job({"horn": [(2.0, 24.0)]}, {"siren": never}, end_s=24)
    assert of_siren(endless)[0] == ("never-cut-off", 1, "restart")
    assert endless.result("siren").next_exercise == "operate horn once, for at least 15.5 s"


def test_a_stop_that_a_restart_hid_must_be_seen_once_more() -> None:
    timed = {"run_on_s": 6.0, "run_on_tolerance_s": 0.5, "min_exercises": 1}
    stuck = planned("horn", wave([(2.05, 24.0)], silent=[(8.5, 9.0)]), **timed)  # type: ignore[arg-type]
    one = job({"horn": [(2.0, 4.0)]}, {"siren": stuck}, end_s=24)
    assert of_siren(one) == [("stuck", 1, "restart")]
    following = "operate horn once, for at least 0.5 s, then leave it alone for 11.5 s"
    assert one.result("siren").next_exercise == following


def test_too_high_a_current_is_no_matter_of_a_restart() -> None:
    high = wave([(18.05, 19.4)], on=95, silent=[AWAY])
    one = restarted(DROPPED, current=high, load_a=5.0, continuous_a=6.0, peak_a=9.0)
    kinds = {each.kind: each.excused_by for each in deviations(one.evidence, "siren")}
    assert kinds["over-current"] == ""
    assert kinds["dropped"] == "restart"
    assert one.result("siren").verdict == "failed"


def test_an_eye_that_saw_otherwise_is_not_excused() -> None:
    one = restarted(DROPPED)
    seen = replace(one, observed=(Observation(18.6, "siren", on=False, line=2),))
    assert ("seen-otherwise", 1, "") in of_siren(seen)


def test_a_recording_without_the_restart_decides() -> None:
    hidden, plain = restarted(DROPPED), restarted(answering(PRESSED), away=())
    both = check(hidden.plan, [hidden.trace, plain.trace])
    assert both.result.outputs["siren"].verdict == "proven"
    assert check(hidden.plan, [plain.trace, hidden.trace]).result.outputs["siren"].verdict == "not-proven"


def test_a_restart_that_hid_nothing_excuses_nothing() -> None:
    one = restarted(answering(PRESSED))
    assert of_siren(one) == []
    assert one.result("siren").verdict == "proven"
    assert one.findings("restarting-controller") == []


# The links of a rule over two controls.


@pytest.mark.parametrize(
    ("horn", "key", "link"),
    [
        (True, True, "seen"),
        (True, False, "broken"),
        (False, True, "broken"),
        (True, None, "cannot-tell"),
        (None, None, "cannot-tell"),
        (False, None, "broken"),
    ],
)
def test_what_the_controller_noticed_of_two_controls(horn: bool | None, key: bool | None, link: str) -> None:  # noqa: FBT001
    def control(spans: list[Span], noticed: bool | None) -> object:  # noqa: FBT001
        return operated(spans, noticed=None if noticed is None else answering(spans) if noticed else [])

    keyed = [(1.0, 11.0)]
    controls = {"horn": control(HORN, horn), "key": control(keyed, key)}
    one = job(controls, {"siren": planned("horn and key", answering(HORN))}, end_s=14)  # type: ignore[arg-type]
    assert one.result("siren").links["noticed"] == link


def test_a_control_that_rested_says_nothing_of_being_noticed() -> None:
    controls = {"horn": operated(HORN, noticed=answering(HORN)), "key": operated([], noticed=[])}
    one = job(controls, {"siren": planned("horn or key", answering(HORN))}, end_s=14)
    assert one.result("siren").links["noticed"] == "cannot-tell"
    assert one.result("siren").links["control-change"] == "cannot-tell"


@pytest.mark.parametrize(("cyclic", "link"), [(("horn",), "broken"), (("key",), "broken"), ((), "cannot-tell")])
def test_one_of_two_missing_messages_that_is_cyclic_breaks_the_chain(cyclic: tuple[str, ...], link: str) -> None:
    one = job({"horn": None, "key": None}, {"siren": planned("horn and key", [])}, end_s=14, declared=False)
    found: Evidence = gather(one.plan, one.trace)
    controls = dict(one.plan.controls)
    for name in cyclic:
        condition = controls[name].condition
        message = replace(condition.reference.message, cycle_time_s=0.1)
        reference = replace(condition.reference, message=message)
        controls[name] = replace(controls[name], condition=replace(condition, reference=reference))
    plan = replace(found.plan, controls=controls)
    assert check(plan, one.trace).result.outputs["siren"].links["control-message"] == link


@pytest.mark.parametrize(("node", "link"), [("Box", "seen"), (None, "seen"), ("Vehicle", "seen")])
def test_a_controller_that_is_not_named_is_known_by_its_outputs(node: str | None, link: str) -> None:
    horn = presses(3)
    one = job({"horn": horn}, {"siren": planned("horn", answering(horn))}, end_s=12, node=node)
    assert one.result("siren").links["controller"] == link
    unseen = job({"horn": horn}, {"siren": planned("horn")}, end_s=12, node=None)
    assert unseen.result("siren").links["controller"] == "cannot-tell"


# What stands beside the verdict.


def test_a_timer_overdue_once_among_right_ones_fails() -> None:
    timed = {"run_on_s": 2.0, "run_on_tolerance_s": 0.5, "min_exercises": 1}
    horn = [(2.0, 3.0), (8.0, 9.0)]
    one = job({"horn": horn}, {"siren": planned("horn", [(2.05, 5.05), (8.05, 24.0)], **timed)}, end_s=24)  # type: ignore[arg-type]
    assert said(deviations(one.evidence, "siren")) == "1 stuck"
    own = one.result("siren")
    assert own.reason == "stayed on although its run-on of 2 s had passed"
    assert (own.links["release"], own.first_broken_link) == ("broken", "release")


def test_flashing_that_rows_cannot_show_stays_open() -> None:
    lit = wave([(2.05, 10.05)], on=100, cycle_s=0.5)
    own = planned("horn", [(2.05, 10.05)], level=lit, flash_when="dip", flash_hz=4.0, flash_tolerance_hz=0.5)
    one = job({"horn": [(2.0, 10.0)], "dip": [(3.0, 9.0)]}, {"siren": own}, end_s=24, min_exercises=1)
    result = one.result("siren")
    assert (result.verdict, result.reason) == ("not-proven", "its messages come too seldom to show flashing")
    assert result.next_exercise is None


def test_flashing_that_was_never_asked_for_is_asked_for() -> None:
    own = replace(flash_job(4.0).plan.outputs["siren"])
    one = job(
        {"horn": [(2.0, 10.0)], "dip": []},
        {
            "siren": planned(
                "horn",
                [(2.05, 10.05)],
                level=wave([(2.05, 10.05)], on=100),
                flash_when="dip",
                flash_hz=own.flash_hz,
                flash_tolerance_hz=0.5,
            )
        },
        end_s=24,
        min_exercises=1,
    )
    result = one.result("siren")
    assert (result.verdict, result.reason) == ("not-proven", "it was never seen flashing")
    assert result.next_exercise == "operate horn and dip once, for at least 3.0 s"


@pytest.mark.parametrize(
    ("level_night", "dusk", "words"),
    [
        (None, [(0.5, 24.0)], "operate horn once while dusk is off, for at least 2.0 s"),
        (30.0, [], "operate horn once while dusk is on, for at least 2.0 s"),
    ],
)
def test_levels_never_seen_are_asked_for_by_their_light(
    level_night: float | None, dusk: list[Span], words: str
) -> None:
    day = {"level_day": 60.0} if level_night is None else {"level_night": level_night}
    lamp = siren(level=wave(answering(HORN), on=60), night="dusk", **day)
    one = job({"horn": HORN, "dusk": dusk}, {"siren": lamp}, end_s=24)
    assert one.result("siren").next_exercise == words
    assert ("day" if level_night is None else "night") in one.result("siren").reason


def test_how_it_follows_is_measured() -> None:
    how = flash_job(4.0).result("siren").observed_how
    assert how.flash_hz == pytest.approx(4.0, abs=0.2)
    assert checkup_of("healthy").result.outputs["siren"].observed_how.flash_hz is None
    own = checkup_of("healthy").result.outputs["siren"]
    assert (own.observed_how.explained, own.observed_how.exercises, own.observed_how.latching) == (3, 3, False)
    assert own.latency_s.median == pytest.approx(0.06)
    observed = checkup_of("observed only, healthy").result.outputs["siren"]
    assert (observed.latency_s.median, observed.latency_s.max) == (None, None)


def test_the_middle_and_the_longest_latency_are_told_apart() -> None:
    on = [(2.05, 3.05), (5.05, 6.05), (8.25, 9.05)]
    own = with_siren(siren(on)).result("siren")
    assert own.latency_s.median == pytest.approx(0.06)
    assert own.latency_s.max == pytest.approx(0.26)


def test_the_planned_rule_stands_first_and_the_others_beside_it() -> None:
    own = checkup_of("confounded").result.outputs["lamp"]
    assert (own.observed, own.also_fits) == ("brake", ("horn",))


def test_a_proven_output_that_no_rule_was_sought_for_follows_its_own() -> None:
    own = checkup_of("right run-on").result.outputs["siren"]
    assert (own.verdict, own.observed, own.also_fits) == ("proven", "horn", ())
    assert checkup_of("dead").result.outputs["siren"].observed is None


def test_what_is_missing_is_said_with_its_numbers() -> None:
    horn, key = presses(2), [(1.0, 11.0)]
    controls = {"horn": horn, "key": key}
    both = job(controls, {"siren": planned("horn and key", answering(horn))}, end_s=14, min_exercises=2)
    assert both.result("siren").reason == "key was exercised 1 of 2 times"
    apart = {"horn": [(2, 3), (5, 6)], "key": [(8, 9), (11, 12)]}
    never = job(apart, {"siren": planned("horn and key", [])}, end_s=20, min_exercises=2)
    assert never.result("siren").reason == "its rule never came on in a way that could be judged"
    assert never.result("siren").next_exercise == "operate horn and key 2 times, each time for at least 0.5 s"
    once = {"horn": [(2, 3), (5, 6)], "key": [(1, 4), (11, 12)]}
    seldom = job(once, {"siren": planned("horn and key", [(2.05, 3.05)])}, end_s=20, min_exercises=2)
    assert seldom.result("siren").reason == "horn and key as a whole came on only once; 2 are asked for"
    assert seldom.result("siren").next_exercise == "operate horn and key once more, for at least 0.5 s"


def test_flashes_are_no_drops() -> None:
    assert said(deviations(flash_job(4.0).evidence, "siren", "dropped")) == ""
    assert len(flashes([(0.0, 1.0)], 4.0)) == 4
