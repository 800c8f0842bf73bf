"""Given bit rate: contradicted by the stamps, borne out by them, or neither."""

from __future__ import annotations

import numpy as np
import pytest

from canlens.measures.bus_load.bit_rate import bit_rate_conflict
from canlens.trace import Trace
from tests.reference.bit_by_bit import Frame, trace_of, wire
from tests.unit.error_logs import START_NS, without_pauses

DRAW = np.random.default_rng(5)
FRAMES = [Frame(int(DRAW.integers(0x7FF)), DRAW.bytes(int(DRAW.integers(9)))) for _ in range(80)]


@pytest.mark.parametrize("true", [125_000, 250_000, 500_000])
@pytest.mark.parametrize("given", [125_000, 250_000, 500_000, 1_000_000])
def test_a_given_bit_rate_stands_only_if_the_stamps_bear_it_out(given: int, true: int) -> None:
    found = bit_rate_conflict(without_pauses(FRAMES, true), given)
    assert (found is None) == (given == true)
    if found is not None:
        assert (found.given, found.inferred) == (given, true)


def test_where_no_bit_rate_was_given_none_is_contradicted() -> None:
    assert bit_rate_conflict(without_pauses(FRAMES, 125_000), None) is None


def test_an_empty_recording_contradicts_nothing() -> None:
    assert bit_rate_conflict(Trace.empty(), 500_000) is None


def equal_frames(pause_bits: int, true: int) -> Trace:
    """Return frames of one length, of which no bit rate can be inferred, with a pause between them."""
    bits = len(wire(Frame(0x123, b"\x55"))) + 3 + pause_bits
    stamps = [START_NS + round(number * bits / true * 1e6) * 1000 for number in range(100)]
    return trace_of([Frame(0x123, b"\x55")] * 100, time_ns=stamps)


def test_gaps_too_short_for_the_given_rate_contradict_it_without_another() -> None:
    found = bit_rate_conflict(equal_frames(4, 500_000), 250_000)
    assert found is not None
    assert found.inferred is None
    assert "99 of 99 gaps" in found.because


def test_long_pauses_contradict_nothing() -> None:
    assert bit_rate_conflict(equal_frames(400, 500_000), 250_000) is None


def test_the_stamps_of_a_virtual_bus_contradict_nothing() -> None:
    # gaps too short for any bus tell of the recorder, not of the bit rate
    stamps = [START_NS + 1000 * number for number in range(len(FRAMES))]
    assert bit_rate_conflict(trace_of(FRAMES, time_ns=stamps), 250_000) is None
