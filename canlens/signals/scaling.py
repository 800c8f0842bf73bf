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


def scale(raw: Raw, signal: SignalDefinition, out: Floats) -> None:
    """Write raw x scale + offset.

    Where scale and offset are whole numbers the sum is formed in exact integers and rounded once; else the
    product and the sum are each rounded, as float64 arithmetic does.

    Parameters
    ----------
    raw
        (k,): raw values.
    signal
        Scale and offset, and how many bits a raw value has.
    out
        float64 (k,): where the values go.
    """
    whole_scale, whole_offset = isinstance(signal.scale, int), isinstance(signal.offset, int)
    if signal.is_float or not whole_scale:
        _scale_in_floats(raw, signal.scale, signal.offset, out)
    elif whole_offset:
        _scale_whole(raw, signal, int(signal.offset), out)
    else:
        _scale_whole(raw, signal, 0, out)
        out += signal.offset


def _scale_in_floats(raw: Raw, factor: float, offset: float, out: Floats) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # infinities and NaN of the bus stay what they are
        if raw.dtype == np.object_:
            out[:] = raw
            out *= float(factor)
        elif factor == 1:
            out[:] = raw
        else:
            np.multiply(raw, float(factor), out=out)
        if offset != 0:
            out += float(offset)


def _scale_whole(raw: Raw, signal: SignalDefinition, offset: int, out: Floats) -> None:
    """Write raw x scale + offset, exact until it is rounded to float64."""
    factor = int(signal.scale)
    low = -(1 << (signal.length - 1)) if signal.is_signed else 0
    high = low + (1 << signal.length) - 1
    products = low * factor, high * factor
    ends = (low, high, factor, offset, *products, *(product + offset for product in products))
    if (factor, offset) == (1, 0) or max(map(abs, ends)) <= EXACT_IN_FLOAT:
        _scale_in_floats(raw, factor, offset, out)
    elif raw.dtype == np.int64 and INT64.min <= min(ends) and max(ends) <= INT64.max:
        out[:] = raw * np.int64(factor) + np.int64(offset)
    else:
        out[:] = [float(int(number) * factor + offset) for number in raw.tolist()]
