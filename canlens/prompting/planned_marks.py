"""Planned marks: a session → the marks file of one that was done exactly as told."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.prompting.nouns import Session

HEAD = (
    "# Planned marks: what was to be done, in seconds from the start of the sheet.",
    "# Use them only if all was done as told, and strike out what was not.",
    "# The page saves what really happened.",
)


def planned_marks_text(session: Session) -> str:
    """Write the marks of a session as CSV, as ``--marks`` reads them."""
    rows = [
        f"{mark.time_s:.1f},{mark.label}," + (f"{mark.until_s:.1f}" if mark.until_s is not None else "")
        for mark in session.marks
    ]
    return "\n".join([*HEAD, "time_s,label,until_s", *rows, ""])
