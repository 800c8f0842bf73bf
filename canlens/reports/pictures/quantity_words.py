"""Quantity words: numbers of a picture in words, with their units."""

from __future__ import annotations

import math


def seconds(value: float) -> str:
    """Say a time since the start [s], to the millisecond."""
    return f"{value:.3f} s"


def milliseconds(value: float) -> str:
    """Say a short time [s] in milliseconds, to three digits at least.

    Examples
    --------
    >>> milliseconds(0.0623), milliseconds(1.25), milliseconds(math.nan)
    ('62.3 ms', '1250 ms', 'not known')
    """
    if math.isnan(value):
        return "not known"
    thousandths = value * 1000
    return f"{thousandths:.0f} ms" if abs(thousandths) >= 100 else f"{thousandths:.3g} ms"  # noqa: PLR2004


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
