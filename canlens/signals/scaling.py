"""Raw values → values in the signal's unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.database import SignalDefinition
    from canlens.signals.nouns import Floats, Raw

EXACT_IN_FLOAT = 2**53
"""Whole numbers up to this size are exact in a float64 (IEEE 754)."""
INT64 = np.iinfo(np.int64)


def scale(raw: Raw, signal: SignalDefinition) -> Floats:
    """Return float64 (k,): raw x scale + offset.

    Where scale and offset are whole numbers the sum is formed in exact integers and rounded once; else the
    product and the sum are each rounded, as float64 arithmetic does.
    """
    if signal.scale == 1 and signal.offset == 0:
        return _as_floats(raw)
    with np.errstate(over="ignore", invalid="ignore"):  # infinities and NaN of the bus stay what they are
        if signal.is_float or not isinstance(signal.scale, int):
            values = _as_floats(raw)
            if signal.is_float or raw.dtype != np.float64:
                values *= float(signal.scale)
                values += float(signal.offset)
            return values
        if isinstance(signal.offset, int):
            return _scale_whole(raw, signal, signal.scale, signal.offset)
        values = _scale_whole(raw, signal, signal.scale, 0)
        values += signal.offset
        return values


def _as_floats(raw: Raw) -> Floats:
    return np.array(raw, np.float64)


def _scale_whole(raw: Raw, signal: SignalDefinition, factor: int, offset: int) -> Floats:
    """Return raw x factor + offset, exact until it is rounded to float64."""
    low = -(1 << (signal.length - 1)) if signal.is_signed else 0
    high = low + (1 << signal.length) - 1
    products = low * factor, high * factor
    ends = (low, high, factor, offset, *products, *(product + offset for product in products))
    if max(map(abs, ends)) <= EXACT_IN_FLOAT:
        values = _as_floats(raw)
        values *= factor
        values += offset
        return values
    if raw.dtype == np.int64 and INT64.min <= min(ends) and max(ends) <= INT64.max:
        return _as_floats(raw * np.int64(factor) + np.int64(offset))
    exact = (int(number) * factor + offset for number in raw.tolist())
    return np.fromiter(map(float, exact), np.float64, len(raw))
