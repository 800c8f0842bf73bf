"""What a drawn bus shows while nobody exercises anything: sound traffic, and each fault where it was built in."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from canlens.errors import UsageError
from canlens.rehearsal import candump_text
from canlens.rehearsal.faulty_bus import count_edges
from canlens.trace import Kind, Trace
from canlens.wire import INTERMISSION_BITS
from tests.drawn import DrawnBus, draw_bus

SEEDS = range(1, 5)
ERRORS = ("terminator-missing", "bad-sender", "bad-receiver", "interference-from-output", "node-intermittent")


def bit_ns(bus: DrawnBus) -> float:
    assert bus.plan.bus.bit_rate is not None
    return 1e9 / bus.plan.bus.bit_rate


def errors(trace: Trace) -> np.typing.NDArray[np.intp]:
    """Return the rows of the records of broken frames."""
    return np.flatnonzero((trace.kind == Kind.ERROR) & (trace.identifier & 0x80 != 0))


def retries(trace: Trace) -> list[int]:
    """Return the row of the data frame that follows each broken one."""
    frames = np.flatnonzero(trace.kind == Kind.DATA)
    rows = errors(trace)
    return [int(frames[place]) for place in np.searchsorted(frames, rows) if place < len(frames)]


def sender(bus: DrawnBus, row: int) -> str:
    return bus.nodes[int(bus.trace.identifier[row]), bool(bus.trace.is_extended[row])]


def share_of(bus: DrawnBus, rows: list[int], node: str) -> float:
    return sum(sender(bus, row) == node for row in rows) / len(rows)


@pytest.mark.parametrize("fault", [None, *ERRORS, "duplicate-identifier"])
@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_overlaps_on_the_bus(seed: int, fault: str | None) -> None:
    # Bosch CAN 2.0 (1991), 3.1.3 and 3.1.5: a frame is followed by three bits of intermission; an error flag by a
    # delimiter of eight bits and the intermission
    bus = draw_bus(seed, 10.0, fault=fault, strength=0.8)
    trace, bit = bus.trace, bit_ns(bus)
    frames = np.flatnonzero(trace.kind == Kind.DATA)
    bits = trace.exact_bits()
    starts_ns = trace.time_ns[frames] - bits[frames] * bit
    assert (starts_ns[1:] - trace.time_ns[frames][:-1] >= INTERMISSION_BITS * bit - 2000).all()
    for row in errors(trace).tolist():
        after = frames[frames > row]
        if len(after):
            start_ns = trace.time_ns[after[0]] - bits[after[0]] * bit
            assert start_ns - trace.time_ns[row] >= (8 + INTERMISSION_BITS) * bit - 2000
        before = frames[frames < row]
        if len(before):
            assert trace.time_ns[row] - trace.time_ns[before[-1]] >= (INTERMISSION_BITS + 1 + 6) * bit - 2000


@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_bus_carries_a_usual_load_in_cyclic_messages_without_errors(seed: int) -> None:
    bus = draw_bus(seed, 20.0, sporadic=0.0)
    trace = bus.trace
    assert not (trace.kind == Kind.ERROR).any()
    load = float((trace.exact_bits() + INTERMISSION_BITS).sum()) * bit_ns(bus) / 20e9
    assert 0.15 < load < 0.9
    assert 3 <= len(set(bus.nodes.values())) <= 12
    for message in bus.plan.database.messages:
        times = trace.with_identifier(message.identifier, is_extended=message.is_extended).time_s
        if message.cycle_time_s:
            assert np.median(np.diff(times)) == pytest.approx(message.cycle_time_s, rel=0.02), message.name


def test_buses_differ_from_seed_to_seed() -> None:
    buses = [draw_bus(seed, 5.0) for seed in range(1, 25)]
    assert {bus.plan.bus.bit_rate for bus in buses} == {125_000, 250_000, 500_000}
    orders = {
        signal.byte_order for bus in buses for message in bus.plan.database.messages for signal in message.signals
    }
    assert orders == {"intel", "motorola"}
    shares = [np.mean(bus.trace.is_extended) for bus in buses]
    assert min(shares) == 0.0
    assert max(shares) == 1.0
    hidden = [len(bus.nodes) - len(bus.plan.database.messages) for bus in buses]
    assert min(hidden) == 0
    assert max(hidden) > 3


def test_the_same_seed_gives_the_same_bytes() -> None:
    one, other = (draw_bus(3, 5.0, fault="terminator-missing") for _ in range(2))
    assert candump_text(one.trace) == candump_text(other.trace)
    assert candump_text(draw_bus(4, 5.0, fault="terminator-missing").trace) != candump_text(one.trace)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_missing_terminator_breaks_frames_in_proportion_to_their_edges(seed: int) -> None:
    bus = draw_bus(seed, 60.0, fault="terminator-missing", strength=1.0, sporadic=0.0)
    frames = np.flatnonzero(bus.trace.kind == Kind.DATA)
    edges = count_edges(bus.trace, frames)
    broken = len(errors(bus.trace))
    expected = float((edges * 0.02 / 24).sum())  # 0.02 of the attempts of a frame with 24 edges
    assert broken == pytest.approx(expected, rel=0.15, abs=4.0 * expected**0.5)
    struck = count_edges(bus.trace, np.array(retries(bus.trace)))
    assert struck.mean() > edges.mean()
    assert 115.0 < bus.readings.values["h_l_ohm"].value < 125.0


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bad_sender_breaks_its_own_frames(seed: int) -> None:
    bus = draw_bus(seed, 30.0, fault="bad-sender", strength=0.6, sporadic=0.0)
    (node,) = bus.truth.faults[0].subject
    rows = retries(bus.trace)
    assert share_of(bus, rows, node) > 0.6  # methods of attribution: a frame of higher priority may cut in
    frames = np.flatnonzero(bus.trace.kind == Kind.DATA).tolist()
    own = share_of(bus, frames, node) * len(frames)
    share = 0.004 + (0.2 - 0.004) * 0.36
    assert len(errors(bus.trace)) == pytest.approx(own * share / (1 - share), abs=5.0 * (own * share) ** 0.5 + 3)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bad_receiver_breaks_all_frames_but_its_own(seed: int) -> None:
    bus = draw_bus(seed, 40.0, fault="bad-receiver", strength=1.0, sporadic=0.0)
    (node,) = bus.truth.faults[0].subject
    rows = retries(bus.trace)
    frames = np.flatnonzero(bus.trace.kind == Kind.DATA).tolist()
    assert len(rows) > 60
    assert share_of(bus, rows, node) < 0.5 * share_of(bus, frames, node) + 0.02


@pytest.mark.parametrize("seed", SEEDS)
def test_interference_comes_only_while_its_output_is_on(seed: int) -> None:
    bus = draw_bus(seed, 60.0, fault="interference-from-output", strength=0.8, sporadic=0.0)
    spans = bus.output_spans[bus.truth.faults[0].subject[0]]
    times_s = (bus.trace.time_ns[errors(bus.trace)] - bus.start_ns) / 1e9
    assert len(times_s) > 20
    for time_s in times_s.tolist():
        assert any(start <= time_s <= stop + 0.01 for start, stop in spans)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_loose_contact_makes_gaps_of_one_node_with_errors_at_their_ends(seed: int) -> None:
    bus = draw_bus(seed, 60.0, fault="node-intermittent", strength=0.7, sporadic=0.0)
    (node,) = bus.truth.faults[0].subject
    longest: dict[str, list[float]] = {}
    for message in bus.plan.database.messages:
        if message.cycle_time_s and message.senders:
            times = bus.trace.with_identifier(message.identifier, is_extended=message.is_extended).time_s
            longest.setdefault(message.senders[0], []).append(np.diff(times).max() - message.cycle_time_s)
    assert min(longest.pop(node)) > 0.2
    assert all(max(gaps) < 0.1 for gaps in longest.values())
    assert len(errors(bus.trace)) > 8


@pytest.mark.parametrize("seed", SEEDS)
def test_a_double_brings_a_second_family_of_payloads_under_one_identifier(seed: int) -> None:
    bus = draw_bus(seed, 30.0, fault="duplicate-identifier", strength=0.8, sporadic=0.0)
    message = bus.plan.database.message(bus.truth.faults[0].subject[0])
    assert message is not None
    assert message.cycle_time_s is not None
    own = bus.trace.with_identifier(message.identifier, is_extended=message.is_extended)
    assert len(own) > 1.4 * 30.0 / message.cycle_time_s
    others = bus.trace.where((bus.trace.identifier != message.identifier) & (bus.trace.kind == Kind.DATA))
    assert len(np.unique(others.identifier)) >= len(bus.nodes) - 1


@pytest.mark.parametrize("seed", SEEDS)
def test_a_bus_that_stays_awake_speaks_after_it_should_be_quiet(seed: int) -> None:
    sound = draw_bus(seed, 60.0, sleeps=True)
    assert sound.ignition_off_s == pytest.approx(24.0)
    allowed_s = sound.plan.bus.quiet_after_s
    assert allowed_s is not None
    last_s = (sound.trace.time_ns[-1] - sound.start_ns) / 1e9
    assert 24.0 < last_s < 24.0 + allowed_s
    faulty = draw_bus(seed, 60.0, fault="bus-stays-awake", strength=1.0)
    (identifier,) = faulty.truth.faults[0].subject
    times_s = (faulty.trace.time_ns - faulty.start_ns) / 1e9
    after = np.flatnonzero((times_s > 24.0 + allowed_s) & (faulty.trace.kind == Kind.DATA))
    assert len(after)
    silences = [
        row for before, row in pairwise(np.flatnonzero(times_s > 24.0).tolist()) if times_s[row] - times_s[before] > 2.0
    ]
    assert all(f"0x{faulty.trace.identifier[row]:x}" == identifier for row in silences)
    assert f"0x{faulty.trace.identifier[after[-1]]:x}" == identifier or silences


def test_a_recorder_counts_its_receive_errors_up_and_down() -> None:
    # Bosch CAN 2.0 (1991), part A 8: +1 for an error, -1 for a good frame, passive from 128
    seen = 0
    for seed in range(1, 12):
        trace = draw_bus(seed, 20.0, fault="bad-sender", strength=1.0).trace
        counts = trace.payload.first8[errors(trace), 7].astype(int)
        if not counts.any():
            continue
        seen += 1
        good = np.diff(np.cumsum(trace.kind == Kind.DATA)[errors(trace)])
        expected = np.maximum(np.minimum(counts[:-1], 128) - good, 0) + 1
        assert counts[1:].tolist() == expected.tolist()
    assert seen >= 5


def test_two_faults_at_once_show_both() -> None:
    bus = draw_bus(2, 40.0, fault=["bad-sender", "interference-from-output"], strength=[0.7, 0.9])
    assert [fault.cause for fault in bus.truth.faults] == ["bad-sender", "interference-from-output"]
    spans = bus.output_spans[bus.truth.faults[1].subject[0]]
    times_s = (bus.trace.time_ns[errors(bus.trace)] - bus.start_ns) / 1e9
    inside = np.array([any(start <= time <= stop for start, stop in spans) for time in times_s.tolist()])
    assert inside.any()
    assert (~inside).any()


def test_a_recording_that_is_too_short_is_refused() -> None:
    with pytest.raises(UsageError, match="duration 1 s: expected 5 s or more"):
        draw_bus(1, 1.0)
