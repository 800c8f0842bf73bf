"""Situations: each does what it says, several do so at once, and a rehearsal without any is what it always was."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import read_plan
from canlens.errors import UsageError
from canlens.measures.outputs.tracks import states_of
from canlens.rehearsal import candump_text, rehearse
from canlens.rehearsal.situations import SITUATIONS
from canlens.rehearsal.written_rehearsal import truth_text
from canlens.signals import decode_signals
from tests.drawn import draw_install

if TYPE_CHECKING:
    from canlens.rehearsal import Rehearsal
    from canlens.signals import Floats

PLAN = read_plan(Path(__file__).parents[2] / "traces" / "quernholt.toml")
START_S = 1_760_000_000


@cache
def rehearsed(*situations: str) -> Rehearsal:
    """Rehearse the sample plan under these situations."""
    return rehearse(PLAN, situations=situations, seed=3)


def edges_s(rehearsal: Rehearsal, control: str) -> Floats:
    """Return when the bus tells that a control changes, from the start of the rehearsal [s]."""
    condition = PLAN.controls[control].condition
    reference = condition.reference
    signal = decode_signals(rehearsal.trace, [(reference.message, reference.definition)])[reference.path]
    changes: Floats = signal.time_s[1:][np.diff(states_of(signal, condition)) != 0]
    return changes + rehearsal.trace.start_ns / 1e9 - START_S


def shift_s(rehearsal: Rehearsal) -> Floats:
    """Return by how much the stamps differ from those of the same recording without situations [s]."""
    shifted: Floats = (rehearsal.trace.time_ns - rehearsed().trace.time_ns) / 1e9
    return shifted


@pytest.mark.parametrize("name", sorted(set(SITUATIONS) - {"extra-condition"}))
def test_every_situation_changes_the_recording_and_stands_in_the_truth(name: str) -> None:
    rehearsal = rehearsed(name)
    (told,) = rehearsal.truth.situations
    assert told.partition(":")[0] == name
    assert told in truth_text(rehearsal.truth)
    text = candump_text(rehearsal.trace)
    assert text != candump_text(rehearsed().trace)
    assert candump_text(rehearse(PLAN, situations=[told], seed=3).trace) == text


def test_an_output_may_hang_on_a_switch_that_the_plan_does_not_know() -> None:
    install = draw_install(500, situations=["extra-condition"])
    path = install.rehearsal.truth.situations[0].partition(":")[2]
    assert path not in {one.condition.reference.path for one in install.plan.controls.values()}
    assert [rule for rule in install.rehearsal.truth.rules.values() if path in rule] != []


@pytest.mark.parametrize(("name", "share"), [("loses-1-percent", 0.01), ("loses-5-percent", 0.05)])
def test_a_recorder_loses_frames_at_random(name: str, share: float) -> None:
    whole, kept = len(rehearsed().trace), len(rehearsed(name).trace)
    assert kept / whole == pytest.approx(1.0 - share, abs=4 * (share / whole) ** 0.5)


def test_bursts_last_a_fifth_of_a_second() -> None:
    gaps_s = np.diff(rehearsed("loses-bursts").trace.time_s)
    assert np.count_nonzero((gaps_s > 0.19) & (gaps_s < 0.23)) >= 5


def test_stamps_in_batches_never_come_before_their_frames() -> None:
    rehearsal = rehearsed("stamps-in-batches")
    late_s = shift_s(rehearsal)
    assert late_s.min() >= 0.0
    assert 0.004 < late_s.max() <= 0.03
    assert np.all(np.diff(rehearsal.trace.time_ns) >= 0)


def test_coarse_stamps_are_whole_steps() -> None:
    late_s = shift_s(rehearsed("stamps-coarse"))
    assert late_s.max() <= 0.0
    assert set((rehearsed("stamps-coarse").trace.time_ns % 1_000_000).tolist()) == {0}


def test_every_frame_is_written_twice() -> None:
    trace = rehearsed("written-twice").trace
    assert np.array_equal(trace.identifier[::2], trace.identifier[1::2])
    assert np.diff(trace.time_ns)[::2].max() < 100_000


@pytest.mark.parametrize(("name", "sign"), [("clock-back", -1), ("clock-restart", -1), ("clock-forward", 1)])
def test_a_clock_is_set_once(name: str, sign: int) -> None:
    steps_s = np.unique(np.round(shift_s(rehearsed(name)), 6))
    assert len(steps_s) == 2
    assert 0.0 in steps_s
    assert sign * steps_s.sum() >= 0.5


def test_a_box_on_the_wire_acts_before_the_bus_tells() -> None:
    told_s, before_s = edges_s(rehearsed("wired-long-before:horn"), "horn"), edges_s(rehearsed(), "horn")
    assert len(told_s) == len(before_s)
    assert np.all((told_s - before_s > 0.05) & (told_s - before_s < 0.25))
    command = PLAN.outputs["air_horn"].command
    assert command is not None
    path = command.reference.path
    both = [
        decode_signals(one.trace, [(command.reference.message, command.reference.definition)])[path]
        for one in (rehearsed("wired-long-before:horn"), rehearsed())
    ]
    rises_s = [one.time_s[1:][np.diff(one.raw.astype(int)) > 0] for one in both]
    assert len(rises_s[0]) == len(rises_s[1])
    assert np.all(rises_s[0] <= rises_s[1])


def test_a_chattering_control_tells_more_edges_and_no_more_presses() -> None:
    chattering = rehearsed("chatters:horn")
    assert len(edges_s(chattering, "horn")) > 1.5 * len(edges_s(rehearsed(), "horn"))
    assert chattering.marks == rehearsed().marks


def test_a_control_is_pressed_once() -> None:
    rehearsal = rehearsed("pressed-once:horn")
    assert len(edges_s(rehearsal, "horn")) == 2
    assert len([mark for mark in rehearsal.marks if mark.label == "horn"]) == 1


def test_a_gateway_that_sleeps_leaves_marks_without_edges() -> None:
    rehearsal = rehearsed("gateway-asleep:horn")
    marks = [mark.time_s - START_S for mark in rehearsal.marks if mark.label == "horn"]
    assert max(marks) > max(edges_s(rehearsal, "horn")) + 1.0
    assert rehearsal.marks == rehearsed().marks


def test_a_dead_box_says_nothing_from_then_on() -> None:
    trace = rehearsed("controller-dies").trace
    own = [one.identifier for one in PLAN.database.messages if PLAN.controller.node in one.senders]
    last_s = trace.time_s[np.isin(trace.identifier, own)].max()
    assert 0.3 < last_s / trace.time_s[-1] < 0.7


def test_several_situations_and_a_fault_at_once() -> None:
    rehearsal = rehearse(
        PLAN, fault="output-not-commanded:air_horn", situations=["loses-1-percent", "written-twice", "wired:horn"]
    )
    assert rehearsal.truth.situations == ("loses-1-percent", "written-twice", "wired:horn")
    assert rehearsal.truth.rules["air_horn"] == "never"
    assert np.array_equal(rehearsal.trace.identifier[::2], rehearsal.trace.identifier[1::2])


def test_what_cannot_be_is_said() -> None:
    with pytest.raises(UsageError, match="situation 'lose-bursts': expected one of loses-bursts"):
        rehearse(PLAN, situations=["lose-bursts"])
    with pytest.raises(UsageError, match="nothing in this plan can have it"):
        rehearse(PLAN, situations=["chatters:nobody"])
