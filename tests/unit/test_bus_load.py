"""Bus load: mean, windows, peak, and what is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.errors import UsageError
from canlens.measures.bus_load.load import bus_load, busy_time, formula_loads
from canlens.trace import Kind, Trace
from tests.reference.bit_by_bit import Frame, trace_of

EIGHT = Frame(0x555, b"\x55" * 8)
"""109 bits, 112 with intermission: 224 us at 500 kbit/s."""
BUSY_S = 112 / 500_000


def _every(interval_s: float, number: int, *, frame: Frame = EIGHT) -> Trace:
    return trace_of([frame] * number, time_ns=[round(row * interval_s * 1e9) for row in range(number)])


def test_a_frame_every_ten_milliseconds_loads_the_bus_by_its_bits() -> None:
    # 112 bits of 5000 at 500 kbit/s: 2.24 %, between the bounds of 2.22 % and 2.70 % for eight bytes.
    trace = _every(0.01, 1001)
    load = bus_load(trace, bit_rate=500_000)
    assert load.mean == pytest.approx(1001 * BUSY_S / (10 + BUSY_S))
    assert load.mean == pytest.approx(0.0224, abs=0.0001)
    bounds = {"without_stuffing": 1001 * 111 / 500_000, "worst_case": 1001 * 135 / 500_000}
    expected = {name: pytest.approx(busy_s / (10 + BUSY_S)) for name, busy_s in bounds.items()}
    assert vars(formula_loads(trace, load)) == expected


def test_frames_without_a_pause_load_the_bus_fully_and_no_more() -> None:
    load = bus_load(_every(BUSY_S, 10_000), bit_rate=500_000, window_s=0.1)
    assert load.mean == pytest.approx(1)
    assert load.windows == pytest.approx(np.ones(22))
    assert load.peak == pytest.approx(1)


def test_the_peak_is_the_load_of_the_fullest_window() -> None:
    quiet, burst = np.arange(0, 3, 0.1), 1.5 + BUSY_S * np.arange(100)
    time_ns = np.sort(np.append(quiet, burst) * 1e9).astype(np.int64)
    load = bus_load(trace_of([EIGHT] * 130, time_ns=time_ns.tolist()), bit_rate=500_000)
    assert load.peak == pytest.approx(110 * BUSY_S, rel=1e-6)
    assert load.window_start_s == pytest.approx(np.array([0, 1]) - BUSY_S)
    assert load.percentile(0) == pytest.approx(float(load.windows.min()))


def test_a_recording_shorter_than_a_window_has_its_mean_as_peak() -> None:
    load = bus_load(_every(0.01, 11), bit_rate=500_000)
    assert len(load.windows) == 0
    assert load.peak == load.mean == load.percentile(95)


def test_windows_add_up_to_the_whole() -> None:
    load = bus_load(_every(0.0037, 5000), bit_rate=125_000, window_s=0.5)
    covered_s = len(load.windows) * 0.5
    rest_s = load.span_s - covered_s
    assert 0 <= rest_s < 0.5
    assert load.windows.sum() * 0.5 <= load.busy_s.sum() <= load.windows.sum() * 0.5 + rest_s


@pytest.mark.parametrize("number", [0, 1])
def test_a_recording_without_a_length_has_no_load(number: int) -> None:
    trace = _every(0.01, number)
    load = bus_load(trace, bit_rate=500_000)
    assert (load.mean, load.peak, formula_loads(trace, load), load.with_errors) == (None,) * 4
    assert load.by_group(np.zeros(number, np.int64)).tolist() == [0.0] * number


def test_the_time_across_a_restart_of_the_clock_is_left_out() -> None:
    once = _every(0.01, 101)
    twice = trace_of([EIGHT] * 202, time_ns=[*once.time_ns.tolist(), *(once.time_ns + 10**12).tolist()])
    restarted = replace(twice, segment=np.repeat([0, 1], 101).astype(np.int32))
    alone, both = bus_load(once, bit_rate=500_000), bus_load(restarted, bit_rate=500_000)
    assert both.mean == pytest.approx(alone.mean)
    assert both.span_s == pytest.approx(2 * alone.span_s)


def test_error_records_are_not_counted_but_given_as_a_range() -> None:
    # Bosch CAN 2.0 (1991), 3.1.3: an error frame takes 14 to 20 bits; the intermission of 3 follows.
    kind = np.full(101, Kind.DATA, np.uint8)
    kind[[10, 20, 30]] = Kind.ERROR
    identifier = np.full(101, 0x555, np.uint32)
    identifier[[10, 20, 30]] = [0x88, 0x00, 0x04]  # bus error, not told, and a mere state of the controller
    trace = replace(_every(0.01, 101), kind=kind, identifier=identifier)
    load = bus_load(trace, bit_rate=500_000)
    assert load.busy_s[[10, 20, 30]].tolist() == [0, 0, 0]
    assert load.mean == pytest.approx(98 * BUSY_S / load.span_s)
    assert load.with_errors is not None
    low, high = load.with_errors.least, load.with_errors.greatest
    assert low == pytest.approx((98 * BUSY_S + 2 * 17 / 500_000) / load.span_s)
    assert high == pytest.approx((98 * BUSY_S + 2 * 23 / 500_000) / load.span_s)


def test_a_channel_is_measured_over_the_length_of_the_whole_recording() -> None:
    channel = np.zeros(1001, np.int16)
    channel[[400, 500]] = 1
    trace = replace(_every(0.01, 1001), channel=channel, channels=("can0", "can1"))
    load = bus_load(trace, bit_rate=500_000, channel="can1")
    assert load.mean == pytest.approx(2 * BUSY_S / (10 + BUSY_S))
    assert load.windows.sum() == pytest.approx(2 * BUSY_S)
    assert bus_load(trace, bit_rate=500_000, channel="can7").mean == 0


def test_groups_share_the_load() -> None:
    trace = _every(0.01, 101)
    group = np.arange(101) % 3 - 1
    load = bus_load(trace, bit_rate=500_000)
    assert load.by_group(group) == pytest.approx([34 * BUSY_S / load.span_s, 33 * BUSY_S / load.span_s])


def test_bits_at_the_data_bit_rate_are_shorter() -> None:
    # 0x55 in all four bytes: 33 + 32 bits at the data bit rate and, of the 29 nominal ones, one stuff bit
    # less or more does not change the difference: 65 bits at 2 Mbit/s instead of 500 kbit/s save 97.5 us a
    # frame.
    frame = Frame(0x2AA, b"\x55" * 4, is_fd=True, bit_rate_switch=True)
    trace = _every(0.01, 3, frame=frame)
    slow = busy_time(trace, bit_rate=500_000)
    fast = busy_time(trace, bit_rate=500_000, data_bit_rate=2_000_000)
    assert slow - fast == pytest.approx([97.5e-6] * 3)
    assert "not known" in bus_load(trace, bit_rate=500_000).note
    known = bus_load(trace, bit_rate=500_000, data_bit_rate=2_000_000)
    assert known.note == ""
    assert known.mean is not None
    bounds = formula_loads(trace, known)
    assert bounds is not None
    assert bounds.without_stuffing <= known.mean <= bounds.worst_case


def test_a_load_above_one_is_shown_where_the_stamps_contradict_the_bit_rate() -> None:
    load = bus_load(_every(BUSY_S, 1000), bit_rate=250_000)
    assert load.mean is not None
    assert load.mean == pytest.approx(2, rel=0.01)


@pytest.mark.parametrize(
    ("bit_rate", "data_bit_rate", "window_s", "named"),
    [(0, None, 1, "bit rate"), (500_000, -1, 1, "data bit rate"), (500_000, None, 0, "window")],
)
def test_a_rate_or_window_that_is_not_above_zero_is_refused(
    bit_rate: float, data_bit_rate: float | None, window_s: float, named: str
) -> None:
    with pytest.raises(UsageError, match=f"The {named} must be a number above 0"):
        bus_load(_every(0.01, 3), bit_rate=bit_rate, data_bit_rate=data_bit_rate, window_s=window_s)
