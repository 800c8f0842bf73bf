"""Reader: one format of recordings, as the registry lists it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.readers.opening import Opened
    from canlens.trace import Trace


@dataclass(frozen=True)
class Reader:
    """One format.

    Attributes
    ----------
    name
        As the user reads it.
    recognises
        Tells from the first bytes whether a file has this format; never tries to read it.
    read
        Reads the opened file to its end.
    keeps, cannot_hold
        What is kept of such a file, and what the format has no place for, as phrases for the table of formats.
    """

    name: str
    recognises: Callable[[bytes], bool]
    read: Callable[[Opened], Trace]
    keeps: str
    cannot_hold: str
