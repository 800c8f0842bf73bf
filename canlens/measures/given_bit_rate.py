"""Given bit rate: whether the stamps of a recording contradict the bit rate that was given for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens import wire
from canlens.bus_evidence import BitRateConflict
from canlens.measures.bit_rate import CLOCK_TOLERANCE, USUAL_BIT_RATES, inferred_bit_rate
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.trace import Trace

LOOKED_AT = 20_000
"""Frames that are looked at; more of them would not change the answer."""
TOO_SHORT_SHARE = 0.1
"""Share of gaps too short for the given rate that contradicts it; recorders that stamp late shorten single gaps."""
FEWEST_GAPS = 20


def bit_rate_conflict(trace: Trace, given: int | None) -> BitRateConflict | None:
    """Find out whether the stamps contradict a given bit rate.

    Parameters
    ----------
    trace
        Frames of one channel.
    given
        Nominal bit rate [bit/s]; None: none was given.

    Returns
    -------
    BitRateConflict
        None where nothing was given, the stamps agree, or they cannot tell.
    """
    if given is None or not len(trace):
        return None
    part = trace.where(slice(0, LOOKED_AT)) if len(trace) > LOOKED_AT else trace
    inferred = inferred_bit_rate(part)
    if inferred.bit_rate is not None:
        agrees = abs(inferred.bit_rate / given - 1) <= 2 * CLOCK_TOLERANCE
        return None if agrees else BitRateConflict(given, inferred.bit_rate, inferred.reason)
    short, gaps = _too_short(part, given)
    if gaps < FEWEST_GAPS or short <= TOO_SHORT_SHARE * gaps or _too_short(part, USUAL_BIT_RATES[-1])[0]:
        return None
    words = f"{short} of {gaps} gaps between frames are too short for a frame at {given / 1000:g} kbit/s."
    return BitRateConflict(given, None, words)


def _too_short(trace: Trace, bit_rate: int) -> tuple[int, int]:
    """Count the gaps that are shorter than either of their frames at a bit rate, and all gaps."""
    is_frame = trace.kind != Kind.ERROR
    is_pair = is_frame[1:] & is_frame[:-1] & (np.diff(trace.segment) == 0)
    bits = trace.exact_bits()
    at_data_rate = wire.data_rate_bits(trace)
    least = np.minimum(bits[1:] - at_data_rate[1:], bits[:-1] - at_data_rate[:-1])[is_pair]
    gap_s = (np.diff(trace.time_ns) / NANOSECONDS_PER_SECOND)[is_pair]
    tick_s = trace.source.stamp_resolution_ns / NANOSECONDS_PER_SECOND
    return int((gap_s + tick_s < least / bit_rate * (1 - CLOCK_TOLERANCE)).sum()), len(gap_s)
