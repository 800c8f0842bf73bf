"""Messages: beats, fitted cycles, gaps, counters, second senders, sleep – measured on buses of which all is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.measures.traffic.senders import drift_in_turn, drifts_apart, longest_turns, two_combs
from tests.unit.small_buses import NS, Sent, bus, counting, others, resting


def steady(**options: object) -> Sent:
    return replace(Sent("Speed", 0x100, every_s=0.05), **options)  # type: ignore[arg-type]


def drawn_times(gaps_s: np.ndarray) -> list[float]:
    return [round(float(each), 6) for each in np.cumsum(gaps_s)]


def test_the_fitted_cycle_is_far_surer_than_the_mean_of_the_intervals() -> None:
    # Least squares: the relative error of a slope is s x sqrt(12) / (D x sqrt(N)), jitter s, duration D, N frames.
    jitter_s, end_s, cycle_s = 0.002, 60.0, 0.0500123
    found = bus(steady(every_s=cycle_s, jitter_s=jitter_s), *others(), end_s=end_s).message("Speed")
    error = jitter_s * np.sqrt(12) / (end_s * np.sqrt(end_s / cycle_s))
    assert found.cycle_s == pytest.approx(cycle_s, rel=4 * error)
    assert found.kind == "cyclic"


def test_gaps_do_not_bend_the_fitted_cycle() -> None:
    lost = [(t + 0.02, t + 0.32) for t in (2.0, 5.0, 9.0, 17.0, 31.0)]
    found = bus(steady(jitter_s=0.0005, silent=lost), *others(), end_s=40).message("Speed")
    assert found.cycle_s == pytest.approx(0.05, rel=2e-5)
    assert len(found.gaps.seen) == 5
    assert found.gaps.missed == 30
    assert found.gaps.length_s.max() == pytest.approx(0.35, abs=0.003)


def test_jitter_is_half_the_width_of_the_middle_95_percent() -> None:
    # Neighbours are off by s each, independently: intervals spread by s x sqrt(2); 95 % of a normal lie within 1.96.
    found = bus(steady(jitter_s=0.001), *others(), end_s=120).message("Speed")
    assert found.jitter_s == pytest.approx(1.96 * np.sqrt(2) * 0.001, rel=0.08)


def test_a_late_frame_is_late_and_no_gap() -> None:
    times = [0.05 * n for n in range(200)]
    times[100] += 0.045
    found = bus(Sent("Speed", 0x100, at_s=times), *others(), end_s=10).message("Speed")
    assert (found.late, len(found.gaps.seen)) == (1, 0)


@pytest.mark.parametrize("seed", range(5))
def test_events_have_neither_beat_nor_gaps(seed: int) -> None:
    draw = np.random.default_rng(seed)
    found = bus(Sent("Doors", 0x200, at_s=drawn_times(draw.exponential(0.4, 200))), *others(), end_s=60).message(
        "Doors"
    )
    assert found.kind == "event-driven"
    assert found.cycle_s is None
    assert len(found.gaps.seen) == 0


@pytest.mark.parametrize("seed", range(5))
def test_presses_of_a_person_are_no_beat(seed: int) -> None:
    draw = np.random.default_rng(seed)
    times = drawn_times(np.maximum(draw.normal(1.0, 0.25, 300), 0.1))
    assert bus(Sent("Key", 0x200, at_s=times), *others(), end_s=290).message("Key").kind == "event-driven"


def test_frames_between_the_beats_make_a_message_mixed() -> None:
    draw = np.random.default_rng(4)
    found = bus(Sent("Keys", 0x200, every_s=0.5, at_s=draw.uniform(0, 60, 20).tolist()), *others(), end_s=60)
    keys = found.message("Keys")
    assert keys.kind == "mixed"
    assert keys.cycle_s == pytest.approx(0.5, rel=1e-3)
    assert len(keys.gaps.seen) == 0


def test_heavy_jitter_that_does_not_add_up_is_still_a_beat() -> None:
    found = bus(steady(every_s=0.005, jitter_s=0.0011), *others(), end_s=20).message("Speed")
    assert found.kind == "cyclic"
    assert found.cycle_s == pytest.approx(0.005, rel=2e-3)


def test_few_frames_tell_no_beat() -> None:
    found = bus(steady(), *others(), end_s=0.49).message("Speed")
    assert (found.frames, found.kind, found.cycle_s) == (10, "too-few", None)
    single = bus(Sent("Once", 0x200, at_s=[1.0]), *others(), end_s=2).message("Once")
    assert (single.frames, single.interval) == (1, None)


def test_a_silence_of_the_bus_is_no_interval_of_its_messages() -> None:
    asleep = [(4.0, 9.0)]
    one = bus(*others(silent=asleep), end_s=12)
    found = one.message("Other0")
    assert found.interval is not None
    assert found.interval.max < 0.06
    assert len(found.gaps.seen) == 0
    quiet = one.evidence.bus_evidence.quiet
    assert quiet is not None
    assert quiet.last is not None
    assert len(quiet.wakes) == 1
    assert quiet.wakes[0].silent_from_s == pytest.approx(4.0, abs=0.06)
    assert quiet.wakes[0].first.time_s == pytest.approx(9.0, abs=0.06)


def test_a_bus_of_slow_messages_does_not_wake_with_each() -> None:
    slow = bus(Sent("Slow", 0x100, every_s=5.0), end_s=100)
    quiet = slow.evidence.bus_evidence.quiet
    assert quiet is not None
    assert quiet.wakes == ()


@pytest.mark.parametrize(
    ("payload", "start_bit", "length", "lowest", "highest"),
    [
        (counting(16), 0, 4, 0, 15),
        (counting(256), 0, 8, 0, 255),
        (counting(4), 0, 2, 0, 3),
        (counting(16, shift=4), 4, 4, 0, 15),
        # counters of AUTOSAR's end-to-end profile 1 leave out 15
        (counting(15), 0, 4, 0, 14),
        (lambda n: bytes([0x30, n % 16 | 0xA0]), 8, 4, 0, 15),
        (lambda n: bytes([n >> 8 & 255, n & 255]), 8, 8, 0, 255),
    ],
)
def test_a_counter_is_found_by_itself(payload: object, start_bit: int, length: int, lowest: int, highest: int) -> None:
    counter = bus(steady(payload=payload), *others(), end_s=30).message("Speed").counter
    assert counter is not None
    assert (counter.start_bit, counter.length, counter.lowest, counter.highest) == (start_bit, length, lowest, highest)
    assert len(counter.skipped) == len(counter.repeated) == 0


@pytest.mark.parametrize(
    "payload",
    [
        resting,
        lambda n: bytes([n & 1, 0]),
        lambda n: bytes([n // 5 & 255, 0]),
        lambda n: np.random.default_rng(n).bytes(2),
        lambda n: bytes([-3 * n & 255, 0]),
    ],
)
def test_what_does_not_count_frames_is_no_counter_of_four_bits_or_more(payload: object) -> None:
    counter = bus(steady(payload=payload), *others(), end_s=30).message("Speed").counter
    assert counter is None or counter.length < 4


def test_jumps_and_repeats_of_a_counter_are_named_with_their_lines() -> None:
    def payload(number: int) -> bytes:
        return counting()(number + 3 * (number >= 50) - (number >= 80))

    one = bus(steady(payload=payload), end_s=10)
    counter = one.message("Speed").counter
    assert counter is not None
    assert counter.skipped.line.tolist() == [51]
    assert counter.repeated.line.tolist() == [81]


def test_lengths_are_counted_and_the_unusual_ones_named() -> None:
    one = bus(steady(payload=lambda n: bytes(2 + (n in {7, 9}))), end_s=1)
    lengths = one.message("Speed").lengths
    assert lengths.counts == {2: 19, 3: 2}
    assert lengths.usual == 2
    assert lengths.unusual.line.tolist() == [8, 10]


def test_two_beats_of_different_cycle_are_taken_apart() -> None:
    draw = np.random.default_rng(5)
    first = (np.arange(300) * 0.05 + draw.normal(0, 3e-4, 300)) * NS
    other = (np.arange(220) * 0.0677 + 0.011 + draw.normal(0, 3e-4, 220)) * NS
    found = two_combs(np.sort(np.concatenate([first, other])).astype(np.int64))
    assert found is not None
    assert sorted(each.cycle_ns / NS for each in found) == pytest.approx([0.05, 0.0677], rel=1e-3)


@pytest.mark.parametrize("seed", range(10))
def test_a_beat_with_events_between_is_not_two_beats(seed: int) -> None:
    draw = np.random.default_rng(seed)
    times = np.sort(np.concatenate([np.arange(300) * 0.1, draw.uniform(0, 30, 150)])) * NS
    assert two_combs(times.astype(np.int64)) is None


@pytest.mark.parametrize("seed", range(10))
def test_events_alone_are_not_two_beats(seed: int) -> None:
    times = np.cumsum(np.random.default_rng(seed).exponential(0.05, 500)) * NS
    assert two_combs(times.astype(np.int64)) is None


def test_two_senders_of_the_same_cycle_are_told_by_their_clocks() -> None:
    own = steady(jitter_s=0.0001)
    one = bus(own, replace(own, every_s=0.050003, phase_s=0.012), *others(), end_s=60)
    two = one.message("Speed").two_senders
    assert two is not None
    assert "clocks" in two.clues


def test_two_senders_of_the_same_cycle_are_told_by_their_counters() -> None:
    own = steady(payload=counting())
    one = bus(own, replace(own, phase_s=0.012, payload=counting(start=7)), *others(), end_s=30)
    two = one.message("Speed").two_senders
    assert two is not None
    assert "counters" in two.clues


def test_one_sender_that_sends_in_pairs_is_one() -> None:
    own = steady(jitter_s=0.0)
    one = bus(own, replace(own, phase_s=0.012), *others(), end_s=60)
    assert one.message("Speed").two_senders is None


def test_a_counter_across_two_bytes_with_a_checksum_is_no_second_sender() -> None:
    # a Motorola counter whose lowest bit is the highest of the next byte; the sum of the bytes jumps to and fro
    def payload(number: int) -> bytes:
        rest = bytes([number >> 1 & 0x7F, (number & 1) << 7 | 0x40])
        return bytes([sum(rest) & 255]) + rest

    assert bus(steady(payload=payload), *others(), end_s=30).message("Speed").two_senders is None


@pytest.mark.parametrize("other_s", [0.1, 0.15, 0.025])
def test_a_beat_beside_the_declared_one_is_a_second_sender_though_a_whole_multiple(other_s: float) -> None:
    own = steady(declared_s=0.05, jitter_s=0.0004)
    one = bus(own, replace(own, every_s=other_s, phase_s=0.013), *others(), end_s=60)
    two = one.message("Speed").two_senders
    assert two is not None
    assert two.clues == ("extra",)


def test_a_beat_beside_another_is_no_second_sender_where_neither_is_declared() -> None:
    # one program may send its values at two paces
    for declared_s in (None, 0.2):
        own = steady(declared_s=declared_s, jitter_s=0.0004)
        one = bus(own, replace(own, every_s=0.1, phase_s=0.013), *others(), end_s=60)
        assert one.message("Speed").two_senders is None


def test_two_senders_half_a_cycle_apart_are_told_by_their_clocks() -> None:
    own = steady(every_s=0.1, declared_s=0.1, jitter_s=0.0005)
    one = bus(own, replace(own, every_s=0.100012, phase_s=0.045), *others(), end_s=60)
    two = one.message("Speed").two_senders
    assert two is not None
    assert two.clues == ("clocks",)


def test_a_sender_twice_as_fast_as_declared_is_one() -> None:
    for payload in (resting, lambda n: bytes([n & 1, 0])):
        one = bus(steady(declared_s=0.1, jitter_s=0.0005, payload=payload), *others(), end_s=60)
        assert one.message("Speed").two_senders is None


def test_intervals_that_all_change_alike_are_no_two_clocks() -> None:
    draw = np.random.default_rng(4)
    jitter = draw.normal(0, 20_000, 600)
    slower = 50_000_000 + np.arange(600) * 5_000 + jitter
    assert not drift_in_turn(slower.astype(np.int64))
    apart = 50_000_000 + np.arange(600) * 5_000 * np.tile([1, -1], 300) + jitter
    assert drift_in_turn(apart.astype(np.int64))
    assert not drift_in_turn(apart[:90].astype(np.int64))


def test_two_families_of_payloads_with_a_blurred_beat_each_are_two_senders() -> None:
    own = steady(every_s=0.005, jitter_s=0.001, payload=lambda n: bytes([n * 7 & 127, 1]))
    one = bus(
        own, replace(own, every_s=0.0073, phase_s=0.002, payload=lambda n: bytes([128 | n * 5 & 127, 1])), end_s=20
    )
    two = one.message("Speed").two_senders
    assert two is not None
    assert "payloads" in two.clues


def test_a_blurred_beat_whose_bits_come_and_go_is_one_sender() -> None:
    draw = np.random.default_rng(8)
    own = steady(every_s=0.005, jitter_s=0.001, payload=lambda n: bytes([n & 255, int(draw.integers(256))]))
    assert bus(own, *others(), end_s=20).message("Speed").two_senders is None


def test_values_that_go_round_in_a_fixed_pattern_are_one_sender() -> None:
    # a sender whose program comes round every 10 ms sends each 30 ms, now and then 10 ms early; its values go round
    def at(number: int) -> float:
        return 0.03 * number - (0.01 if number % 7 == 6 else 0.0)

    rounds = (1, 1, 0, 1, 0, 1, 1, 0, 1, 0)
    own = Sent("Speed", 0x100, at_s=[at(n) for n in range(300)], payload=lambda n: bytes([rounds[n % 10], 0]))
    assert bus(own, *others(), end_s=9).message("Speed").two_senders is None


def test_turns_need_many_in_a_row() -> None:
    short, long = 10_000_000, 40_000_000
    assert longest_turns(np.array([short, long] * 9)) is None
    assert longest_turns(np.array([short, long] * 15)) is not None
    assert longest_turns(np.array([25_000_000] * 60)) is None


def test_a_distance_that_only_jitters_does_not_drift() -> None:
    draw = np.random.default_rng(6)
    steady_ns = (12_000_000 + draw.normal(0, 2e5, 400)).astype(np.int64)
    assert not drifts_apart(steady_ns)
    assert drifts_apart(steady_ns + 3000 * np.arange(400))


def test_stamps_that_step_backwards_are_told_and_give_no_interval() -> None:
    one = bus(steady(), *others(), end_s=10, shift_ns=lambda time: -200_000_000 if time > 5 * NS else 0)
    quiet = one.evidence.bus_evidence.quiet
    assert quiet is not None
    assert len(quiet.backwards) == 1
    found = one.message("Speed")
    assert found.interval is not None
    assert found.interval.min > 0
