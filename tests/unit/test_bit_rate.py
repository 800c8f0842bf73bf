"""The bit rate is inferred from frames without a pause, and from nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.measures.bus_load.bit_rate import USUAL_BIT_RATES, inferred_bit_rate
from canlens.trace import Ints, Kind, Trace
from tests.reference.bit_by_bit import Frame, trace_of


def _frames(number: int, *, seed: int = 1, payload_length: int = 8) -> list[Frame]:
    draw = np.random.default_rng(seed)
    return [
        Frame(int(draw.integers(2048)), draw.integers(0, 256, payload_length, np.uint8).tobytes())
        for _ in range(number)
    ]


def _held(frames: list[Frame]) -> Ints:
    return trace_of(frames).exact_bits() + 3


def _stamped(frames: list[Frame], seconds: np.typing.NDArray[np.floating], *, tick_ns: int = 1000) -> Trace:
    return trace_of(frames, time_ns=(np.round(seconds * 1e9 / tick_ns).astype(np.int64) * tick_ns).tolist())


def _runs(bit_rate: int, *, stamps: str, tick_ns: int = 1000, seed: int = 1) -> Trace:
    """Sixty runs of five frames without a pause, with pauses of any length between the runs."""
    frames = _frames(300, seed=seed)
    held_s = _held(frames) / bit_rate
    pause_s = np.where(np.arange(300) % 5 == 0, np.random.default_rng(seed).exponential(2000 / bit_rate, 300), 0)
    end_s = np.cumsum(held_s + pause_s)
    return _stamped(frames, end_s if stamps == "end" else end_s - held_s, tick_ns=tick_ns)


@pytest.mark.parametrize("stamps", ["start", "end"])
@pytest.mark.parametrize("bit_rate", USUAL_BIT_RATES)
def test_every_usual_bit_rate_is_found_whichever_end_of_the_frame_is_stamped(bit_rate: int, stamps: str) -> None:
    found, reason = inferred_bit_rate(_runs(bit_rate, stamps=stamps))
    assert found == bit_rate
    assert f"the {stamps} of a frame" in reason


@pytest.mark.parametrize("deviation", [-0.005, 0.005])
def test_a_clock_that_is_off_by_half_a_percent_does_no_harm(deviation: float) -> None:
    trace = _runs(250_000, stamps="end")
    off = replace(trace, time_ns=(trace.time_ns * (1 + deviation)).astype(np.int64) // 1000 * 1000)
    assert inferred_bit_rate(off).bit_rate == 250_000


def test_a_frame_that_starts_with_the_third_bit_of_intermission_does_no_harm() -> None:
    # Bosch CAN 2.0 (1991), part B 3.1.5: a dominant third bit of intermission is taken for the start of a
    # frame.
    frames = _frames(300)
    early = np.random.default_rng(3).integers(0, 2, 300)
    trace = _stamped(frames, np.cumsum((_held(frames) - early) / 500_000))
    assert inferred_bit_rate(trace).bit_rate == 500_000


def test_a_clock_that_steps_by_a_millisecond_is_refused() -> None:
    bit_rate, reason = inferred_bit_rate(_runs(10_000, stamps="end", tick_ns=1_000_000))
    assert bit_rate is None
    assert "step by 1 ms" in reason


def test_a_clock_that_steps_by_ten_microseconds_still_shows_125_kbit_a_second_but_not_a_megabit() -> None:
    assert inferred_bit_rate(_runs(125_000, stamps="end", tick_ns=10_000)).bit_rate == 125_000
    assert inferred_bit_rate(_runs(1_000_000, stamps="end", tick_ns=10_000)).bit_rate is None


def test_frames_of_one_length_show_no_bit_rate() -> None:
    # With one length a pause between frames cannot be told from a slower bit.
    frames = [Frame(0x123, b"\x55" * 7)] * 51
    bit_rate, reason = inferred_bit_rate(_stamped(frames, np.cumsum(_held(frames) / 500_000)))
    assert bit_rate is None
    assert "differ too little in length" in reason


@pytest.mark.parametrize("interval_s", [200e-6, 250e-6, 270e-6, 500e-6, 1e-3])
def test_frames_that_start_at_fixed_times_show_no_wrong_bit_rate(interval_s: float) -> None:
    # A scheduler that starts a frame every so often, at 1 Mbit/s: no frame follows another without a pause.
    for seed in range(20):
        frames = (_frames(3, seed=seed) + _frames(2, seed=seed, payload_length=4)) * 30
        end_s = np.arange(150) * interval_s + (_held(frames) - 3) / 1_000_000
        assert inferred_bit_rate(_stamped(frames, end_s)).bit_rate is None


@pytest.mark.parametrize("pause_bits", [10, 25, 30, 60, 130])
def test_a_fixed_pause_between_frames_shows_no_wrong_bit_rate(pause_bits: int) -> None:
    # 111 to 135 bits and 25 to 30 bits of pause at 1 Mbit/s last about as long as the frame alone at 800
    # kbit/s.
    for seed in range(20):
        frames = _frames(60, seed=seed)
        trace = _stamped(frames, np.cumsum((_held(frames) + pause_bits) / 1_000_000))
        assert inferred_bit_rate(trace).bit_rate is None


def test_frames_stamped_in_bunches_are_refused() -> None:
    frames = _frames(200)
    end_s = np.cumsum(_held(frames)) / 500_000
    bunched_s = np.ceil(end_s * 1000) / 1000 + np.arange(200) * 1e-6
    bit_rate, reason = inferred_bit_rate(_stamped(frames, bunched_s))
    assert bit_rate is None
    assert "in bunches" in reason


def test_gaps_next_to_error_records_and_restarts_of_the_clock_do_not_count() -> None:
    trace = _runs(500_000, stamps="end").where(slice(0, 5))
    assert inferred_bit_rate(trace).bit_rate == 500_000
    kind = np.array([Kind.DATA, Kind.DATA, Kind.ERROR, Kind.DATA, Kind.DATA], np.uint8)
    assert "Only 2 gaps" in inferred_bit_rate(replace(trace, kind=kind)).reason
    segment = np.array([0, 0, 1, 1, 2], np.int32)
    assert "Only 2 gaps" in inferred_bit_rate(replace(trace, segment=segment)).reason


def test_frames_that_switch_to_a_data_bit_rate_do_not_count() -> None:
    frames = [Frame(0x123, bytes(range(row)), is_fd=True, bit_rate_switch=True) for row in (1, 3, 5, 7, 8)]
    assert "Only 0 gaps" in inferred_bit_rate(_stamped(frames, np.arange(5) * 1e-3)).reason


def test_several_channels_at_once_are_refused() -> None:
    trace = _runs(500_000, stamps="end")
    mixed = replace(trace, channel=(np.arange(300) % 2).astype(np.int16))
    assert "several channels" in inferred_bit_rate(mixed).reason


@pytest.mark.parametrize("number", [0, 1, 3])
def test_too_few_frames_show_nothing(number: int) -> None:
    bit_rate, reason = inferred_bit_rate(_runs(500_000, stamps="end").where(slice(0, number)))
    assert bit_rate is None
    assert "at least 3 are needed" in reason
