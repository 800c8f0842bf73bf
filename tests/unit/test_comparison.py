from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import compare
from canlens.comparison import make_baseline
from canlens.plan import Bus, Controller, Plan
from canlens.trace import Source, Trace
from tests.unit.error_logs import with_records
from tests.unit.small_buses import Sent, bus, counting, others

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.comparison import Comparison
    from canlens.results.compare import Change

END_S = 70.0
NO_ACK = 0x20  # Linux include/uapi/linux/can/error.h, CAN_ERR_ACK


def _speed(**changed: object) -> Sent:
    return replace(Sent("Speed", 0x100, every_s=0.1, jitter_s=0.0005, node="Drive"), **changed)  # type: ignore[arg-type]


def _torque(**changed: object) -> Sent:
    return replace(Sent("Torque", 0x110, every_s=0.5, phase_s=0.02, node="Drive"), **changed)  # type: ignore[arg-type]


def _usual() -> list[Sent]:
    return [_speed(), _torque(), *others()]


def _compared(before: Sequence[Sent], after: Sequence[Sent], *, end_s: float = END_S) -> Comparison:
    one, other = bus(*before, end_s=end_s), bus(*after, end_s=end_s, seed=2)
    database = bus(*{each.identifier: each for each in (*before, *after)}.values(), end_s=1).plan.database
    return compare(_named(one.trace), _named(other.trace), plan=None, database=database)


def _named(trace: Trace) -> Trace:
    return replace(trace, source=Source(format="candump"))


def _only(comparison: Comparison, kind: str) -> Change:
    assert [each.change for each in comparison.result.changes] == [kind]
    return comparison.result.changes[0]


def _why(comparison: Comparison, what: str) -> str:
    return next(each.why for each in comparison.result.not_compared if what in each.what)


def test_two_recordings_of_one_bus_show_no_change() -> None:
    found = _compared(_usual(), _usual())
    assert found.verdict == "no-change-seen"
    assert not found.result.changes


def test_a_recording_differs_from_itself_in_nothing() -> None:
    trace = bus(*_usual(), end_s=20).trace
    assert not compare(trace, trace).result.changes


def test_a_message_that_vanished_is_named_with_its_node() -> None:
    change = _only(_compared(_usual(), [_speed(), *others()]), "identifier-vanished")
    assert change.subject == ("0x110", "Torque")
    assert (change.node, change.size, change.direction) == ("Drive", -1.0, "worse")


def test_a_node_of_which_nothing_is_heard_is_named_in_the_answer() -> None:
    found = _compared(_usual(), others())
    assert found.verdict == "worse"
    assert {each.subject[0] for each in found.result.changes if each.change == "identifier-vanished"} == {
        "0x100",
        "0x110",
    }
    assert "Nothing is heard of Drive any more" in found.result.sentence


def test_a_new_message_is_a_change_that_is_neither_better_nor_worse() -> None:
    found = _compared([_speed(), *others()], _usual())
    assert found.verdict == "changed"
    assert _only(found, "identifier-new").explained_by is None


def test_new_messages_of_the_controller_are_explained() -> None:
    before, after = bus(_speed(), *others(), end_s=END_S), bus(*_usual(), end_s=END_S)
    plan = Plan("", "", after.plan.database, {}, {}, bus=Bus(), controller=Controller(node="Drive"))
    only_box = bus(_torque(), *others(), end_s=END_S)
    found = compare(bus(*others(), end_s=END_S).trace, only_box.trace, plan=plan)
    assert [each.explained_by for each in found.result.changes] == ["the controller Drive"]
    assert found.result.sentence.startswith("Only what was meant to change")
    assert compare(before.trace, after.trace).result.changes[0].explained_by is None


def test_an_event_that_did_not_happen_again_is_not_taken_for_a_change() -> None:
    rare = Sent("Doors", 0x200, at_s=[1.0, 1.1, 4.0], node="Doors")
    found = _compared([*_usual(), rare], _usual())
    assert found.verdict == "no-change-seen"
    assert "may just not have been due" in _why(found, "0x200 Doors has vanished")


def test_an_interval_that_grew_by_one_percent_is_found_in_a_minute() -> None:
    change = _only(_compared(_usual(), [_speed(every_s=0.101), _torque(), *others()], end_s=61), "interval")
    assert change.subject == ("0x100", "Speed")
    assert change.size == pytest.approx(0.01, abs=0.0005)
    assert change.after == pytest.approx(0.101, rel=1e-3)


def test_an_interval_that_changed_by_less_than_the_floor_is_no_change() -> None:
    assert _compared(_usual(), [_speed(every_s=0.1003), _torque(), *others()]).verdict == "no-change-seen"


def test_a_declared_cycle_time_tells_better_from_worse() -> None:
    slow = _speed(every_s=0.11, declared_s=0.1)
    assert _compared([slow, *others()], [_speed(declared_s=0.1), *others()]).verdict == "better"
    assert _compared([_speed(declared_s=0.1), *others()], [slow, *others()]).verdict == "worse"


def test_cycles_that_all_changed_alike_are_the_recorders_clock() -> None:
    before = bus(*_usual(), *others(3), end_s=END_S)
    sent = [*_usual(), *(Sent(f"More{n}", 0x400 + n, every_s=0.2, phase_s=0.003 * n) for n in range(3))]
    after = bus(*sent, end_s=END_S, shift_ns=lambda time: round(time * 0.01))
    before = bus(*sent, end_s=END_S)
    found = compare(before.trace, after.trace)
    assert not [each for each in found.result.changes if each.change == "interval"]
    assert "+1 %" in _why(found, "intervals alike")


def test_jitter_that_grew_by_half_is_found_and_its_ratio_told() -> None:
    change = _only(_compared(_usual(), [_speed(jitter_s=0.00075), _torque(), *others()]), "jitter")
    assert change.subject == ("0x100", "Speed")
    assert change.size == pytest.approx(0.5, abs=0.12)
    assert change.direction == "worse"


def test_jitter_is_not_judged_below_a_minute() -> None:
    found = _compared(_usual(), [_speed(jitter_s=0.005), _torque(), *others()], end_s=50)
    assert not [each for each in found.result.changes if each.change == "jitter"]
    assert "60 s" in _why(found, "jitter")


def test_a_short_recording_still_shows_an_interval_that_doubled() -> None:
    change = _only(_compared(_usual(), [_speed(every_s=0.2), _torque(), *others()], end_s=20), "interval")
    assert change.p is None
    assert change.size == pytest.approx(1.0, abs=0.01)


def test_a_message_that_stays_away_now_and_then_is_worse() -> None:
    holes = [(start + 0.03, start + 1.03) for start in range(4, 60, 6)]
    found = _compared(_usual(), [_speed(silent=holes), _torque(), *others()])
    gaps = [each for each in found.result.changes if each.quantity == "blocks of 5 s with gaps"]
    assert [each.subject[0] for each in gaps] == ["0x100"]
    assert found.verdict == "worse"


def test_a_payload_length_that_changed_is_named() -> None:
    change = _only(_compared(_usual(), [_speed(payload=lambda _: bytes(3)), _torque(), *others()]), "payload-length")
    assert (change.before, change.after) == (2.0, 3.0)


def test_bits_that_stand_still_are_told_from_numbers_that_still_run() -> None:
    frozen = _compared([_speed(payload=counting()), *others()], _usual()[:1] + others())
    change = _only(frozen, "payload-bits")
    assert (change.before, change.after, change.size) == ("moving", "constant", 4.0)
    shorter = _compared([_speed(payload=counting(16)), *others()], [_speed(payload=counting(8)), *others()])
    assert shorter.verdict == "no-change-seen"  # the counter runs on, in fewer of its bits


def _with_episodes(number: int, *, seed: int = 1) -> Trace:
    trace = bus(*_usual(), end_s=61, seed=seed).trace
    return with_records(trace, [(2.0 + 7.1 * each, NO_ACK, "00" * 8) for each in range(number)])


def test_eight_error_episodes_and_none_after_are_called_better() -> None:
    found = compare(_with_episodes(8), _with_episodes(0, seed=2))
    change = _only(found, "errors")
    assert (change.before, change.after, change.direction) == (8.0, 0.0, "better")
    assert change.p == pytest.approx(2.0**-7, rel=0.05)
    assert found.verdict == "better"


def test_five_error_episodes_and_none_after_are_not_enough_to_tell() -> None:
    found = compare(_with_episodes(5), _with_episodes(0, seed=2))
    assert found.verdict == "no-change-seen"
    assert "not enough to tell" in _why(found, "errors")


def test_records_of_one_burst_count_as_one_episode() -> None:
    burst = [(10.0 + 0.0005 * each, NO_ACK, "00" * 8) for each in range(12)]
    found = compare(with_records(bus(*_usual(), end_s=61).trace, burst), _with_episodes(0, seed=2))
    assert "1 episode before" in _why(found, "errors").replace("error ", "")


def test_errors_that_neither_recording_could_hold_are_not_called_none() -> None:
    assert "that is not none" in _why(_compared(_usual(), _usual()), "errors")


def test_a_dead_bus_after_is_worse_and_before_is_not_comparable() -> None:
    alive, dead = bus(*_usual(), end_s=20).trace, Trace.empty()
    assert compare(alive, dead).verdict == "worse"
    assert compare(dead, alive).verdict == "not-comparable"


def test_other_stamps_and_another_length_change_nothing() -> None:
    sent = _usual()
    one, other = bus(*sent, end_s=140).trace, bus(*sent, end_s=65, seed=3).trace
    later = replace(other, time_ns=np.array(other.time_ns) + 86_400 * 10**9)
    assert compare(one, later).verdict == "no-change-seen"


def test_a_baseline_gives_the_same_changes_as_its_recording() -> None:
    one, other = bus(*_usual(), end_s=END_S), bus(_speed(every_s=0.101), *others(), end_s=END_S)
    database = one.plan.database
    kept = make_baseline(one.trace, database)
    direct = compare(one.trace, other.trace, database=database)
    assert compare(kept, other.trace, database=database).result.changes == direct.result.changes
    assert direct.result.changes


def test_tables_hold_what_the_written_form_holds() -> None:
    found = _compared(_usual(), others())
    tables = found.tables()
    assert list(tables["changes"]["change"]) == [each["change"] for each in found.to_dict()["changes"]]
    assert set(tables) == {"changes", "not_compared", "aligned", "causes"}


def _on_two_channels(trace: Trace, names: tuple[str, str]) -> Trace:
    """Tell the frames of Drive from the others, as if they had been recorded on a channel of their own."""
    channel = np.where(np.isin(trace.identifier, [0x100, 0x110]), 0, 1).astype(np.int16)
    return replace(trace, channel=channel, channels=names)


def test_channels_that_were_exchanged_are_named_and_their_messages_compared() -> None:
    trace = bus(*_usual(), end_s=END_S).trace
    before, after = _on_two_channels(trace, ("can0", "can1")), _on_two_channels(trace, ("can1", "can0"))
    found = compare(before, after)
    assert [(each.change, each.before, each.after) for each in found.result.changes] == [
        ("channel-swap", "can0", "can1"),
        ("channel-swap", "can1", "can0"),
    ]
    assert found.verdict == "changed"
    assert compare(make_baseline(before), make_baseline(after)).result.changes == found.result.changes


def test_channels_that_only_have_other_names_are_not_exchanged() -> None:
    trace = bus(*_usual(), end_s=END_S).trace
    before, after = _on_two_channels(trace, ("can0", "can1")), _on_two_channels(trace, ("1", "2"))
    assert not compare(before, after).result.changes


def test_baselines_and_recordings_in_every_combination_give_the_same_changes() -> None:
    one, other = bus(*_usual(), end_s=END_S), bus(_speed(every_s=0.101), *others(), end_s=100, seed=2)
    database = one.plan.database
    first, second = ((each.trace, make_baseline(each.trace, database)) for each in (one, other))
    found = [compare(before, after, database=database).result for before in first for after in second]
    assert found[0].changes
    assert all(each.changes == found[0].changes and each.aligned == found[0].aligned for each in found)


def test_a_recorder_whose_clock_runs_fast_hides_nothing_that_changed_alone() -> None:
    before = bus(*_usual(), *others(4), end_s=END_S)
    after = bus(
        _speed(every_s=0.102), _torque(), *others(4), end_s=END_S, seed=2, shift_ns=lambda time: round(time * 0.005)
    )
    found = _intervals_changed(compare(before.trace, after.trace))
    assert found == {"0x100"}


def _intervals_changed(comparison: Comparison) -> set[str]:
    return {each.subject[0] for each in comparison.result.changes if each.change == "interval"}


def test_a_message_too_slow_for_its_jitter_is_named_with_how_long_to_record() -> None:
    slow = Sent("Clock", 0x120, every_s=1.0, phase_s=0.4, jitter_s=0.001, node="Drive")
    unknown = _compared([slow, *_usual()], [slow, *_usual()]).result.not_compared
    told = next(each for each in unknown if each.what.startswith("jitter that grew by half, of "))
    assert "Clock" in told.what
    assert "Speed" not in told.what
    assert int(told.needed.split()[2]) > END_S
