"""Mapping: which rules explain an output, which cannot be told apart, and what would tell them."""

from __future__ import annotations

import pytest

from canlens.measures.outputs.tracks import rule_track
from canlens.measures.outputs.whole import in_step, told_apart
from canlens.plan import Rule, parse_rule
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import answering, job, planned, presses, track_of

NAMES = ("horn", "brake", "ignition")


def fits(output: list[tuple[float, float]]) -> list[str]:
    """Return the rules that fit an output beside a horn pressed three times and a brake pressed twice."""
    horn, brake = presses(3), [(12.0, 13.0), (15.0, 16.0)]
    one = job({"horn": horn, "brake": brake}, {"siren": planned("horn", output)}, end_s=20)
    return [str(rule) for rule in one.output("siren").fits]


def test_the_rule_that_explains_every_rise_is_found() -> None:
    assert fits(answering(presses(3)))[0] == "horn"
    assert fits(answering([(12.0, 13.0), (15.0, 16.0)]))[0] == "brake"
    assert fits(answering([*presses(3), (12.0, 13.0), (15.0, 16.0)])) == ["horn or brake"]


def test_the_opposite_of_a_control_is_a_rule_too() -> None:
    assert "not horn" in fits([(3.05, 5.05), (6.05, 8.05), (9.05, 19.0)])


def test_one_coincidence_is_no_rule() -> None:
    assert fits(answering(presses(1))) == []


def test_an_unasked_rise_spoils_every_rule() -> None:
    assert fits([*answering(presses(3)), (17.0, 17.5)]) == []


def test_an_output_that_stands_still_follows_nothing() -> None:
    assert fits([]) == []
    assert fits([(0.0, 20.0)]) == []


@pytest.mark.parametrize(("longer_than_s", "apart"), [(0.99, True), (1.0, False)])
def test_rules_are_told_apart_where_they_differ_for_long_enough(longer_than_s: float, apart: bool) -> None:  # noqa: FBT001
    horn = track_of([(0, OFF), (2, ON), (5, OFF)], end_s=9)
    brake = track_of([(0, OFF), (3, ON), (5, OFF)], end_s=9)
    assert told_apart(horn, brake, longer_than_s=longer_than_s) == apart


def test_a_difference_in_the_unknown_tells_nothing() -> None:
    horn = track_of([(0, OFF), (2, ON), (5, OFF)], end_s=9)
    brake = track_of([(0, OFF), (2, UNKNOWN), (5, OFF)], end_s=9)
    assert not told_apart(horn, brake, longer_than_s=0.1)
    assert not told_apart(horn, type(horn).empty(9), longer_than_s=0.1)


def test_a_difference_up_to_the_end_of_the_recording_counts() -> None:
    horn = track_of([(0, OFF), (2, ON)], end_s=9)
    brake = track_of([(0, OFF)], end_s=9)
    assert told_apart(horn, brake, longer_than_s=6.9)
    assert not told_apart(horn, brake, longer_than_s=7.0)


def test_several_short_differences_do_not_add_up() -> None:
    steps = [(0.0, OFF)] + [(2 + 0.5 * row, (row + 1) % 2) for row in range(10)]
    assert not told_apart(track_of(steps, end_s=9), track_of([(0, OFF)], end_s=9), longer_than_s=0.6)


def test_outputs_that_differ_only_by_their_answer_time_are_in_step() -> None:
    first = track_of([(0, OFF), (2, ON), (5, OFF)], end_s=9)
    later = track_of([(0, OFF), (2.3, ON), (5.2, OFF)], end_s=9)
    other = track_of([(0, OFF), (2, ON), (7, OFF)], end_s=9)
    within_s = dict.fromkeys(("first", "later", "other"), 0.3)
    assert in_step({"first": first, "later": later, "other": other}, within_s=within_s) == {
        "first": ("first", "later"),
        "later": ("first", "later"),
        "other": ("other",),
    }


def test_controls_that_only_moved_together_are_confounded() -> None:
    horn = presses(3)
    both = {"horn": horn, "brake": horn}
    assert job(both, {"siren": planned("horn", answering(horn))}, end_s=12).output("siren").confounded_with == (
        Rule.of("brake"),
    )
    apart = {"horn": horn, "brake": [*horn, (13.0, 14.0)]}
    assert job(apart, {"siren": planned("horn", answering(horn))}, end_s=16).output("siren").confounded_with == ()


def test_rules_over_one_control_keep_its_steps() -> None:
    horn = track_of([(0, OFF), (2, ON), (5, OFF)], end_s=9)
    own = rule_track(parse_rule("not horn", NAMES), {"horn": horn})
    assert own.state.tolist() == [ON, OFF, ON]


def test_an_output_with_a_run_on_that_follows_another_control_is_found_out() -> None:
    horn, brake = presses(3, first_s=40), [(2.0, 3.0), (6.0, 7.0), (20.0, 21.0)]
    fan = planned("horn", [(2.05, 17.05), (20.05, 31.05)], run_on_s=10.0, run_on_tolerance_s=1.0)
    one = job({"horn": horn, "brake": brake}, {"fan": fan}, end_s=60)
    assert one.output("fan").fits[0] == Rule.of("brake")
    assert one.result("fan").observed == "brake"


def test_a_rule_over_a_dozen_controls_is_judged() -> None:
    names = [f"c{number}" for number in range(12)]
    spans = {name: [(1.0 + 2 * number, 2.0 + 2 * number)] for number, name in enumerate(names)}
    lit = answering([span for one in spans.values() for span in one])
    outputs = {"siren": planned(" or ".join(names), lit), "lamp": planned(" and ".join(names), [])}
    one = job(spans, outputs, end_s=28, min_exercises=1)
    assert one.result("siren").verdict == "proven"
    assert one.result("lamp").verdict == "not-proven"


def test_a_control_that_was_never_seen_is_no_rival() -> None:
    horn = presses(3)
    one = job({"horn": horn, "dusk": None}, {"siren": planned("horn", answering(horn))}, end_s=12)
    assert one.output("siren").confounded_with == ()
    used = {"siren": planned("horn", answering(horn)), "lamp": planned("dusk", [])}
    assert job({"horn": horn, "dusk": None}, used, end_s=12).output("siren").confounded_with == (Rule.of("dusk"),)
