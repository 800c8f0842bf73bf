"""Arbitration: which of two waiting frames gets the bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.wire.lengths import Bools, Ints


def arbitration_rank(identifier: np.typing.NDArray[np.uint32], is_extended: Bools) -> Ints:
    """Return the order in which identifiers win the bus, as int64 (n,); the smallest wins.

    Bits are compared as they are sent, and a dominant 0 wins: first the 11 bits that both formats have in front,
    then the base format wins with its dominant IDE bit, then the other 18 bits of the extended format.

    References
    ----------
    Bosch CAN Specification 2.0 (1991), part B, 3.2.1 data frame: arbitration field, SRR and IDE bit.

    Examples
    --------
    >>> arbitration_rank(
    ...     np.array([0x100, 0x4000000, 0x101], np.uint32), np.array([False, True, False])
    ... ).argsort().tolist()
    [0, 1, 2]
    """
    wide = identifier.astype(np.int64)
    return np.where(is_extended, (wide >> 18) << 19 | 1 << 18 | wide & 0x3FFFF, wide << 19)
