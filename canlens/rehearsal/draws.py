"""Draws: random numbers that come out the same on every machine and with every release of numpy."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.signals import Floats

T = TypeVar("T")


class Draws:
    """A source of random numbers for one purpose.

    Only the uniform stream of PCG64 is used, and from it only the four rules of arithmetic: numpy keeps
    that stream from release to release, while its distributions and its ``exp`` and ``sin`` may change in
    the last digit. Every purpose has a stream of its own, so a fault changes what it must and leaves the
    rest of a rehearsal as it was.

    Parameters
    ----------
    seed
        Of the whole rehearsal, 0 or more.
    purpose
        What the numbers are for, such as ``"schedule"`` or the name of a message.

    References
    ----------
    NumPy NEP 19: the streams of the bit generators are kept, those of the distributions are not.
    """

    def __init__(self, seed: int, purpose: str) -> None:
        words = np.random.SeedSequence([seed, zlib.crc32(purpose.encode())])
        self._generator = np.random.Generator(np.random.PCG64(words))

    def uniform(self, low: float, high: float) -> float:
        """Draw one number between ``low`` and ``high``."""
        return low + (high - low) * float(self._generator.random())

    def uniforms(self, low: float, high: float, size: int) -> Floats:
        """Draw float64 (size,) between ``low`` and ``high``."""
        numbers: Floats = low + (high - low) * self._generator.random(size)
        return numbers

    def noise(self, size: int) -> Floats:
        """Draw float64 (size,) of mean 0 and standard deviation 1: the scaled sum of four uniform numbers."""
        four = self._generator.random((4, size))
        scaled: Floats = (four[0] + four[1] + four[2] + four[3] - 2.0) * 3.0**0.5
        return scaled

    def integer(self, low: int, high: int) -> int:
        """Draw one whole number from ``low`` to ``high``, both included."""
        return low + int(float(self._generator.random()) * (high - low + 1))

    def choice(self, items: Sequence[T]) -> T:
        """Draw one of the items; there must be one."""
        return items[self.integer(0, len(items) - 1)]

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """Return the items in a drawn order."""
        keys = self._generator.random(len(items))
        return [items[index] for index in np.argsort(keys, kind="stable")]
