"""Identifiers: the J1939 parameter group that one belongs to."""

from __future__ import annotations

FIRST_BROADCAST = 240
"""From this PDU format on, the byte before the source address belongs to the group (Regulation (EU) 2016/799,
Annex I C, Appendix 8, and SAE J1939-21); below it is the destination address."""


def parameter_group(identifier: int) -> int:
    """Return the J1939 parameter group number of a 29-bit identifier.

    References
    ----------
    Regulation (EU) 2016/799, Annex I C, Appendix 8 (an open text on the identifier's fields), and SAE J1939-21.

    Examples
    --------
    >>> hex(parameter_group(0x0CF00400)), hex(parameter_group(0x18EA_21F9))
    ('0xf004', '0xea00')
    """
    number = identifier >> 8 & 0x3FFFF
    return number if (identifier >> 16 & 0xFF) >= FIRST_BROADCAST else number & 0x3FF00
