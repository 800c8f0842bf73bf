"""Gathering: all that a plan asks of a recording, from the right channel, and several recordings as one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from canlens.errors import UsageError
from canlens.measures.gathering import evidence
from canlens.measures.outputs.several import added_control, added_output
from canlens.plan import Bus, Controller, Rule
from canlens.trace import COLUMNS, Kind, Payload
from tests.unit.small_jobs import (
    Job,
    answering,
    job,
    operated,
    planned,
    presses,
    wave,
    without_frames,
    without_message,
)

HORN = presses(3)
HEALTHY = job({"horn": HORN, "brake": [(12.0, 13.0)]}, {"siren": planned("horn", answering(HORN))}, end_s=16)


def on_two_channels(one: Job, *, only: str | None = None) -> Job:
    """Return the job recorded twice: as it is on can0, and some time later, passed on, on can1."""
    trace = one.trace
    count = len(trace)
    message = one.plan.database.message(only) if only else None
    copied = np.flatnonzero(trace.identifier == message.identifier) if message else np.arange(count)
    rows = np.concatenate([np.arange(count), copied])
    both = trace.where(rows)
    time_ns = both.time_ns.copy()
    time_ns[count:] += 2_000_000
    channel = np.zeros(len(rows), np.int16)
    channel[count:] = 1
    both = replace(both, time_ns=time_ns, channel=channel, channels=("can0", "can1"))
    return replace(one, trace=both.where(np.argsort(time_ns, kind="stable")))


def test_a_message_that_never_came_leaves_its_control_unknown() -> None:
    own = without_message(HEALTHY, "Horn").evidence
    assert own.missing_messages == ("Horn",)
    assert not own.controls["horn"].message_seen
    assert len(own.controls["horn"].track.state) == 0
    assert own.outputs["siren"].message_seen


def test_a_remote_frame_does_not_stand_for_its_message() -> None:
    kind = HEALTHY.trace.kind.copy()
    kind[HEALTHY.trace.identifier == 0x100] = Kind.REMOTE
    own = replace(HEALTHY, trace=replace(HEALTHY.trace, kind=kind)).evidence
    assert own.missing_messages == ("Horn",)
    assert own.frames == len(HEALTHY.trace)


def test_error_frames_are_no_traffic() -> None:
    kind = np.full(len(HEALTHY.trace), Kind.ERROR, np.uint8)
    assert replace(HEALTHY, trace=replace(HEALTHY.trace, kind=kind)).evidence.frames == 0


def test_an_empty_recording_has_evidence_of_nothing() -> None:
    own = without_frames(HEALTHY).evidence
    assert own.frames == 0
    assert own.controller_seen is False
    assert own.outputs["siren"].judged_from == "nothing"


def test_a_node_without_messages_cannot_be_missed() -> None:
    assert HEALTHY.evidence.controller_seen is True
    for node, seen in (("Gateway", None), (None, None)):
        plan = replace(HEALTHY.plan, controller=Controller(node=node))
        assert evidence(plan, HEALTHY.trace).controller_seen is seen


def test_a_message_passed_on_to_another_channel_is_not_seen_twice() -> None:
    twice = on_two_channels(HEALTHY).evidence
    assert len(twice.controls["horn"].exercises) == 3
    assert len(twice.outputs["siren"].answers.answered) == 3
    part = on_two_channels(HEALTHY, only="SirenState").evidence
    assert len(part.outputs["siren"].answers.answered) == 3


def test_only_the_wanted_channel_is_judged() -> None:
    both = on_two_channels(HEALTHY, only="Horn")
    assert evidence(both.plan, both.trace, channel="can1").missing_messages == ("Brake", "SirenState")
    named = replace(both.plan, bus=Bus(channel="can1"))
    assert evidence(named, both.trace).missing_messages == ("Brake", "SirenState")
    assert evidence(named, both.trace, channel="can0").missing_messages == ()


def test_a_channel_that_the_recording_does_not_have_is_refused_with_those_it_has() -> None:
    with pytest.raises(UsageError, match=r"'can7'.*can0"):
        evidence(HEALTHY.plan, HEALTHY.trace, channel="can7")
    empty = without_frames(HEALTHY)
    assert evidence(empty.plan, empty.trace, channel="can7").frames == 0


@pytest.mark.parametrize(
    ("report", "noticed"),
    [(answering(HORN), 3), (answering(HORN[:2]), 2), ([], 0), ([(0.0, 20.0)], 0)],
)
def test_the_controllers_own_report_is_counted(report: list[tuple[float, float]], noticed: int) -> None:
    horn = operated(HORN, noticed=report)
    one = job({"horn": horn}, {"siren": planned("horn", answering(HORN))}, end_s=12)
    assert one.evidence.controls["horn"].noticed == noticed


def test_a_report_that_could_not_have_shown_the_exercises_is_not_held_against_the_controller() -> None:
    short = presses(3, hold_s=0.2)
    horn = operated(short, noticed=wave([], cycle_s=1.0))
    assert job({"horn": horn}, {"siren": planned("horn")}, end_s=12).evidence.controls["horn"].noticed is None
    still = operated([], noticed=[])
    assert job({"horn": still}, {"siren": planned("horn")}, end_s=12).evidence.controls["horn"].noticed is None


def test_exercises_that_met_a_rule_on_anyhow_do_not_count() -> None:
    brakes = {"front": [(2.0, 9.0)], "rear": [(4.0, 5.0), (12.0, 13.0)]}
    lamp = planned("front or rear", answering([(2.0, 9.0), (12.0, 13.0)]))
    assert job(brakes, {"lamp": lamp}, end_s=16).output("lamp").exercised == {"front": 1, "rear": 1}


def test_exercises_too_short_or_met_by_a_run_on_do_not_count() -> None:
    horn = [(2.0, 3.0), (4.0, 5.0), (40.0, 40.1)]
    fan = planned("horn", [(2.05, 15.05)], run_on_s=10, run_on_tolerance_s=0.5, within_s=0.5)
    own = job({"horn": horn}, {"fan": fan}, end_s=60).output("fan")
    assert own.exercised == {"horn": 1}
    assert (len(own.answers.held), len(own.answers.too_short)) == (1, 1)


def parts(*counts: int) -> list[Job]:
    """Return recordings of one job with so many exercises each."""
    made = []
    for count in counts:
        horn = presses(count)
        spans = {"horn": horn, "brake": [(12.0, 13.0)] if count else []}
        made.append(job(spans, {"siren": planned("horn", answering(horn))}, end_s=16))
    return made


def test_the_evidence_of_several_recordings_adds_up() -> None:
    own = [one.output("siren") for one in parts(2, 1)]
    both = added_output(own)
    assert len(both.answers.due) == len(both.answers.answered) == len(both.answers.latency_s) == 3
    assert both.exercised == {"horn": 3}
    assert both.release is not None
    assert both.release.completed == 3
    control = added_control([one.evidence.controls["horn"] for one in parts(2, 1)])
    assert len(control.exercises) == 3


def test_one_recording_is_its_own_sum() -> None:
    own = HEALTHY.output("siren")
    assert added_output([own]) is own
    control = HEALTHY.evidence.controls["horn"]
    assert added_control([control]) is control


def test_rules_stay_confounded_only_where_no_recording_tells_them_apart() -> None:
    together = job({"horn": HORN, "brake": HORN}, {"siren": planned("horn", answering(HORN))}, end_s=12)
    assert added_output([together.output("siren")] * 2).confounded_with == (Rule.of("brake"),)
    assert added_output([together.output("siren"), HEALTHY.output("siren")]).confounded_with == ()
    still = parts(0)[0]
    assert added_output([together.output("siren"), still.output("siren")]).confounded_with == (Rule.of("brake"),)


def test_a_recording_in_which_the_output_was_not_shown_takes_nothing_away() -> None:
    gone = without_message(HEALTHY, "SirenState").output("siren")
    both = added_output([HEALTHY.output("siren"), gone])
    assert both.judged_from == "bus"
    assert len(both.answers.answered) == 3
    assert added_output([gone, gone]).judged_from == "nothing"


def test_currents_of_several_recordings_keep_the_highest_and_every_wrong() -> None:
    def measured(raw: int) -> Job:
        amps = wave(answering(HORN), on=raw)
        siren = planned("horn", answering(HORN), current=amps, load_a=5.0, continuous_a=7.0, peak_a=10.0)
        return job({"horn": HORN}, {"siren": siren}, end_s=12)

    both = added_output([measured(50).output("siren"), measured(120).output("siren")]).load
    assert both is not None
    assert both.highest_a == pytest.approx(12)
    assert len(both.over_peak) == 3
    assert both.has_current


def test_nothing_is_lost_of_steps_put_together() -> None:
    own = [one.output("siren").answers.due for one in parts(3, 2)]
    both = added_output([one.output("siren") for one in parts(3, 2)]).answers.due
    assert both.line.tolist() == [*own[0].line.tolist(), *own[1].line.tolist()]


def test_a_message_is_read_where_most_of_the_plan_is_heard_though_another_bus_uses_its_identifier() -> None:
    own = HEALTHY.trace
    horn = own.where(own.identifier == HEALTHY.plan.controls["horn"].condition.reference.message.identifier)
    stranger = replace(
        horn.where(np.repeat(np.arange(len(horn)), 3)), payload=Payload.of([b"\x01\x00"] * 3 * len(horn))
    )
    parts = [replace(own, channels=("can0", "can1")), replace(stranger, channels=("can0", "can1"))]
    columns: dict[str, Any] = {name: np.concatenate([getattr(each, name) for each in parts]) for name in COLUMNS}
    columns["channel"][len(own) :] = 1
    payload = Payload.of([bytes.fromhex(each.hex()) for part in parts for each in part.payload])
    both = replace(parts[0], **columns, payload=payload)
    both = both.where(np.argsort(both.time_ns, kind="stable"))
    assert len(evidence(HEALTHY.plan, both).outputs["siren"].answers.answered) == len(HORN)


@pytest.mark.parametrize("ahead_s", [0.8, -14.0])
def test_a_channel_whose_clock_is_ahead_is_set_back(ahead_s: float) -> None:
    controls = {each.condition.reference.message.identifier for each in HEALTHY.plan.controls.values()}
    is_box = ~np.isin(HEALTHY.trace.identifier, list(controls))
    time_ns = HEALTHY.trace.time_ns + np.where(is_box, round(ahead_s * 1e9), 0)
    trace = replace(HEALTHY.trace, time_ns=time_ns, channel=is_box.astype(np.int16), channels=("can0", "can1"))
    told = replace(HEALTHY.plan, bus=Bus(clock_offset_s={"can1": ahead_s}))
    found = evidence(told, trace).outputs["siren"].answers
    assert (len(found.answered), found.is_as_asked) == (len(HORN), True)
    assert found.latency_s.max() < 0.3
    assert len(evidence(HEALTHY.plan, trace).outputs["siren"].answers.answered) < len(HORN)
