"""Load of a recording against an independent count, bit after bit, and against published bounds."""

from __future__ import annotations

import numpy as np
import pytest

import canlens
from tests.reference import bit_by_bit

INTERMISSION_BITS = 3  # Bosch CAN 2.0 (1991), part A 3.1.5


@pytest.mark.parametrize("seed", range(3))
def test_the_load_agrees_with_a_count_of_every_bit_for_the_bus_and_for_each_identifier(seed: int) -> None:
    draw = np.random.default_rng(seed)
    kinds = [(int(draw.integers(1 << 11)), False) for _ in range(6)] + [
        (int(draw.integers(1 << 29)), True) for _ in "abc"
    ]
    frames = [
        bit_by_bit.Frame(identifier, draw.bytes(int(draw.integers(9))), is_extended=is_extended)
        for identifier, is_extended in (kinds[int(draw.integers(len(kinds)))] for _ in range(800))
    ]
    bit_rate = 250_000
    bits = np.array([len(bit_by_bit.wire(each)) + INTERMISSION_BITS for each in frames])
    time_ns = np.cumsum(np.rint((bits / bit_rate + draw.exponential(0.002, len(frames))) * 1e9).astype(np.int64))
    document = canlens.survey(bit_by_bit.trace_of(frames, time_ns=time_ns.tolist()), bit_rate=bit_rate).to_dict()
    span_s = (time_ns[-1] - time_ns[0]) / 1e9 + bits[0] / bit_rate
    # 0.1 percentage points is what is asked for; the count is exact, so no more than rounding is left
    assert document["bus"]["bus_load"] == pytest.approx(bits.sum() / bit_rate / span_s, abs=1e-9)
    for row in document["identifiers"]:
        own = [
            number
            for number, each in enumerate(frames)
            if (each.identifier, each.is_extended) == (int(row["identifier"], 16), row["is_extended"])
        ]
        assert row["bus_load"] == pytest.approx(bits[own].sum() / bit_rate / span_s, abs=1e-9)


@pytest.mark.parametrize(("bit_rate", "low", "high"), [(500_000, 0.0222, 0.0270), (250_000, 0.0444, 0.0540)])
@pytest.mark.parametrize("byte", [0x00, 0x55, 0xFF, 0x3C])
def test_one_frame_of_eight_bytes_every_10_ms_stays_within_the_known_bounds(
    bit_rate: int, low: float, high: float, byte: int
) -> None:
    # 111 to 135 bits a frame, intermission counted: without stuff bits, and the worst-case formula
    # (Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007)
    frames = [bit_by_bit.Frame(0x123, bytes([byte]) * 8)] * 5000
    trace = bit_by_bit.trace_of(frames, time_ns=[10_000_000 * number for number in range(len(frames))])
    load = canlens.survey(trace, bit_rate=bit_rate).to_dict()["bus"]["bus_load"]
    assert low - 1e-4 <= load <= high + 1e-4
