"""Quantity words: numbers of a picture in words, with their units."""

from __future__ import annotations

import math


def seconds(value: float) -> str:
    """Say a time since the start [s], to the millisecond."""
    return f"{value:.3f} s"


def short_time(value: float) -> str:
    """Say a short time [s] to three digits.

    Examples
    --------
    >>> short_time(0.0623), short_time(1.25), short_time(math.nan)
    ('62.3 ms', '1.25 s', 'not known')
    """
    if math.isnan(value):
        return "not known"
    return f"{value:.3g} s" if abs(value) >= 1 else f"{value * 1000:.3g} ms"


def percent(ratio: float) -> str:
    """Say a ratio in percent, to one decimal."""
    return "not known" if math.isnan(ratio) else f"{ratio * 100:.1f} %"


def quantity(value: float, unit: str) -> str:
    """Say a quantity to three digits."""
    return "not known" if math.isnan(value) else f"{value:.3g} {unit}"


def count(number: int, one: str, many: str | None = None) -> str:
    """Say how many of a thing there are.

    Examples
    --------
    >>> count(1, "exercise"), count(3, "exercise")
    ('1 exercise', '3 exercises')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(items: list[str], *, most: int = 12) -> str:
    """Join a few things; of many, the first, and how many more there are."""
    if len(items) <= most:
        return ", ".join(items)
    return ", ".join(items[:most]) + f" and {len(items) - most} more"
