"""Checks of the messages on a bus: four cases each, and what their findings say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.nouns.bus import BusResult
from canlens.plan import Bus
from tests.unit.check_cases import Cases
from tests.unit.small_buses import Sent, SmallBus, bus, counting, others, resting
from tests.unit.small_jobs import Job, job


def well() -> SmallBus:
    return bus(Sent("Speed", 0x100, every_s=0.05, payload=counting(), declared_s=0.05), *others(), end_s=12)


def speed(end_s: float = 12, *, count: int = 3, **options: object) -> SmallBus:
    """Return a bus on which something may be wrong with the message Speed."""
    own = Sent("Speed", 0x100, every_s=0.05)
    return bus(replace(own, **options), *others(count), end_s=end_s)  # type: ignore[arg-type]


def jumping(at: int, modulus: int = 16) -> SmallBus:
    return speed(payload=lambda number: counting(modulus)(number + (number >= at)))


def odd_lengths(number_odd: int, end_s: float = 12) -> SmallBus:
    return speed(end_s, payload=lambda number: resting(number) + b"\x00" * (0 < number <= number_odd))


def two_senders(cycle_s: float, end_s: float = 12) -> SmallBus:
    return bus(
        Sent("Speed", 0x100, every_s=0.05, jitter_s=0.0002),
        Sent("Speed", 0x100, every_s=cycle_s, phase_s=0.013, jitter_s=0.0002),
        *others(),
        end_s=end_s,
    )


def loaded(mean: float, peak: float) -> SmallBus:
    return replace(well(), told=BusResult(500_000, "given", mean, peak, 1.0))


def ignition(end_s: float, *, allowed_s: float = 5.0) -> Job:
    """Return a job whose ignition goes off at 3 s while its message goes on to the end."""
    one = job({"ignition": [(1, 3)]}, {}, end_s=end_s)
    return replace(one, plan=replace(one.plan, bus=Bus(awake_while="ignition", quiet_after_s=allowed_s)))


def silent_bus(cycles: int, *, count: int = 3) -> SmallBus:
    """Return a bus on which all messages, sent at the same moment, miss some beats."""
    missed = [(5.01, 5.01 + 0.05 * cycles)] if cycles else []
    sent = [Sent(f"Message{n}", 0x100 + n, every_s=0.05, silent=missed, node=f"Node{n}") for n in range(count)]
    return bus(*sent, end_s=12)


CASES = {
    "vanished-message": Cases(
        fires=lambda: speed(silent=[(6.0, 13.0)]),
        subject=("Speed",),
        limit=lambda: bus(
            Sent("Speed", 0x100, every_s=0.05, silent=[(10.01, 13.0)]),
            *(replace(each, phase_s=0.0) for each in others()),
            end_s=12,
        ),
        little=lambda: speed(silent=[(0.4, 13.0)]),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "interrupted-bus": Cases(
        fires=lambda: silent_bus(8),
        subject=(),
        limit=lambda: silent_bus(2),
        little=lambda: silent_bus(8, count=2),
        messages=frozenset({"Message0"}),
        silent=well,
    ),
    "duplicate-sender": Cases(
        fires=lambda: two_senders(0.0613),
        subject=("Speed",),
        limit=lambda: two_senders(0.1),
        little=lambda: two_senders(0.0613, end_s=1.3),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "irregular-message": Cases(
        fires=lambda: speed(silent=[(5.01, 5.51)]),
        subject=("Speed",),
        limit=lambda: bus(
            Sent("Speed", 0x100, at_s=[0.05 * n + (0.0375 if n > 100 else 0.0) for n in range(200)]),
            *others(),
            end_s=12,
        ),
        little=lambda: speed(end_s=0.4, silent=[(0.11, 0.21)]),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "skipping-counter": Cases(
        fires=lambda: jumping(90),
        subject=("Speed",),
        limit=lambda: jumping(90, modulus=4),
        limit_fires=True,
        little=lambda: bus(
            Sent("Speed", 0x100, every_s=0.05, payload=lambda n: counting()(n + (n > 5))), *others(), end_s=0.5
        ),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "wrong-cycle-time": Cases(
        fires=lambda: speed(declared_s=0.1),
        subject=("Speed",),
        limit=lambda: speed(every_s=0.045, declared_s=0.05),
        little=lambda: speed(end_s=0.45, declared_s=0.1),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "changing-length": Cases(
        fires=lambda: odd_lengths(3),
        subject=("Speed",),
        limit=lambda: odd_lengths(12),
        limit_fires=True,
        little=lambda: speed(end_s=0.04),
        messages=frozenset({"Speed"}),
        silent=well,
    ),
    "high-bus-load": Cases(
        fires=lambda: loaded(0.401, 0.5),
        subject=(),
        limit=lambda: loaded(0.4, 0.949),
        little=lambda: replace(speed(end_s=0.9), told=BusResult(500_000, "given", 0.9, 0.9, 1.0)),
        silent=well,
    ),
    "stays-awake": Cases(
        fires=lambda: ignition(12),
        subject=("Ignition",),
        limit=lambda: ignition(8),
        little=lambda: ignition(6),
        messages=frozenset({"Ignition"}),
        silent=well,
    ),
}


def test_messages_that_stop_together_are_one_finding_and_a_quarter_of_all_is_a_change_of_mode() -> None:
    gone = [replace(each, silent=[(6.0, 13.0)]) for each in others(2)]
    few = bus(
        *gone,
        *(replace(each, identifier=each.identifier + 16, name=f"More{n}") for n, each in enumerate(others(9))),
        end_s=12,
    )
    many = bus(*gone, *others(5)[2:], end_s=12)
    (one,), (mode,) = few.findings("vanished-message"), many.findings("vanished-message")
    assert (one.severity, one.subject) == ("warning", ("Other0", "Other1"))
    assert (mode.severity, mode.subject) == ("note", ())


def test_a_message_that_begins_late_is_noted() -> None:
    late = speed(phase_s=4.0)
    (found,) = late.findings("vanished-message")
    assert found.severity == "note"
    assert "3.999 s" in found.claim


def test_messages_of_one_node_that_stay_away_together_are_one_finding() -> None:
    apart = [(2.01, 2.31), (5.01, 5.61), (8.01, 8.21)]
    loose = [Sent(f"Loose{n}", 0x100 + n, every_s=0.05, silent=apart, node="Rear") for n in range(4)]
    (found,) = bus(*loose, *others(), end_s=12).findings("irregular-message")
    assert found.subject == ("Loose0", "Loose1", "Loose2", "Loose3")
    assert "of Rear" in found.claim
    assert "stayed away 3 times" in found.claim


def test_a_message_without_a_beat_that_comes_too_often_is_noted() -> None:
    times = np.cumsum(np.random.default_rng(2).exponential(0.05, 200)).round(6).tolist()
    often, seldom = (
        bus(Sent("Speed", 0x100, at_s=times, declared_s=declared_s), *others(), end_s=12) for declared_s in (0.1, 0.05)
    )
    (found,) = often.findings("wrong-cycle-time")
    assert found.severity == "note"
    assert "keeps no beat" in found.claim
    assert not seldom.findings("wrong-cycle-time")


def test_one_lost_frame_is_a_note_and_a_long_gap_a_warning() -> None:
    assert speed(silent=[(5.01, 5.06)]).findings("irregular-message")[0].severity == "note"
    assert speed(silent=[(5.01, 5.51)]).findings("irregular-message")[0].severity == "warning"


def test_counters_that_jump_over_a_gap_follow_from_it() -> None:
    (found,) = speed(silent=[(5.01, 5.51)], payload=counting()).findings("skipping-counter")
    assert (found.severity, found.consequence_of) == ("note", "irregular-message")


def test_a_second_sender_explains_the_wrong_cycle_time() -> None:
    own = Sent("Speed", 0x100, every_s=0.05, jitter_s=0.0002, declared_s=0.05)
    doubled = bus(own, replace(own, every_s=0.0613, phase_s=0.013), *others(), end_s=12)
    assert [each.consequence_of for each in doubled.findings("wrong-cycle-time")] == ["duplicate-sender"]


@pytest.mark.parametrize(("mean", "peak", "severity"), [(0.5, 0.6, "note"), (0.5, 0.95, "warning")])
def test_a_full_second_weighs_more_than_a_high_average(mean: float, peak: float, severity: str) -> None:
    assert loaded(mean, peak).findings("high-bus-load")[0].severity == severity


def test_without_a_plan_a_woken_bus_is_noted_with_the_first_speaker() -> None:
    woken = bus(Sent("Key", 0x10, at_s=[8.0]), *others(silent=[(4.0, 8.01)]), end_s=12)
    (found,) = woken.findings("stays-awake")
    assert found.severity == "note"
    assert found.subject == ("Key",)
    assert not bus(*others(silent=[(4.0, 5.9)]), end_s=12).findings("stays-awake")


@pytest.mark.parametrize(("counts_on", "word"), [(True, "not recorded"), (False, "waited")])
def test_counters_tell_whether_frames_were_lost_or_senders_waited(*, counts_on: bool, word: str) -> None:
    away = [(5.0, 5.42)]
    if counts_on:
        one = bus(*others(silent=away, counts=True), end_s=12)
    else:
        one = bus(*others(counts=True), end_s=12, shift_ns=lambda time: 420_000_000 if time > 5_000_000_000 else 0)
    (found,) = one.findings("interrupted-bus")
    assert word in found.claim
