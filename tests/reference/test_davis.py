"""Three messages on a bus at 125 kbit/s: the arithmetic of worst-case lengths and utilisation.

Source: the three-message example of R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network
(CAN) schedulability analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007) 239-272. Its inputs
(base identifiers, seven bytes, 2.5, 3.5 and 3.5 ms) are from memory; lengths and utilisation follow from them.
"""

from __future__ import annotations

import numpy as np
import pytest

from canlens import wire

BIT_RATE = 125_000
PERIODS_S = np.array([2.5e-3, 3.5e-3, 3.5e-3])


def test_each_of_the_three_messages_takes_a_millisecond_at_the_worst() -> None:
    bits = wire.longest_bits(np.full(3, 7), is_extended=False, is_fd=False) + wire.INTERMISSION_BITS
    assert bits.tolist() == [125, 125, 125]  # 55 + 10 x 7
    assert (bits / BIT_RATE).tolist() == [1e-3] * 3


def test_the_three_messages_together_use_the_bus_to_97_per_cent() -> None:
    bits = wire.longest_bits(np.full(3, 7), is_extended=False, is_fd=False) + wire.INTERMISSION_BITS
    assert float((bits / BIT_RATE / PERIODS_S).sum()) == pytest.approx(0.971429, abs=1e-6)
