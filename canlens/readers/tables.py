"""Tables: a table of an unknown program is recognised, so that it can be said what is expected of it."""

from __future__ import annotations

import re
from typing import Final

MARKS: Final = b",;\t|"
FEWEST: Final = 3
"""Columns of the smallest table of frames: time, identifier, data."""
WORDS: Final = re.compile(rb"time|stamp|\bid\b|identifier|arbitration|data|dlc|len|payload|byte", re.IGNORECASE)
WANTED: Final = "timestamp, arbitration_id, extended, remote, error, dlc, data"
SHOWN: Final = 10


def table_columns(head: bytes) -> tuple[str, ...]:
    """Return the columns of a table of frames, as its first line names them; empty if it is no such table."""
    lines = [line for line in head.splitlines()[:3] if line.strip() and not line.startswith(b"sep=")]
    for mark in MARKS:
        names = lines[0].split(bytes((mark,))) if lines else []
        if len(names) >= FEWEST and sum(WORDS.search(name) is not None for name in names) > 1:
            return tuple(name.decode("utf-8", "replace").strip().strip('"') for name in names)
    return ()


def unread_table(columns: tuple[str, ...]) -> str:
    """Say what is expected of a table."""
    names = ", ".join(columns[:SHOWN]) + (" …" if len(columns) > SHOWN else "")
    return (
        f"is a table with the columns {names}. Which are seconds, which digits are hexadecimal, it does not say. "
        f"Expected: the columns {WANTED}, in this order, with seconds, 0x123, 0 or 1, and data in Base64; "
        "or, one frame a line, (1436509052.249713) can0 123#1122."
    )
