"""Rates: which messages of the database come more often than declared, and which never come; a first quick look."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Collection

    from canlens.database import Database
    from canlens.trace import Identifiers, Trace

TOO_OFTEN = 1.12
"""So much more often than the others, each against its declared cycle, and a message is looked at closely (our choice:
clocks and cycles of healthy nodes agree to a few per cent)."""
FEWEST_FRAMES = 20
MOST_ABSENT = 3
"""With more absent messages the database is that of another bus or variant, and says nothing about this one."""


@dataclass(frozen=True, eq=False)
class Rates:
    """What a first look at the number of frames tells.

    Attributes
    ----------
    too_often
        uint32 (k,): identifiers that come clearly more often than their declared cycle has it.
    absent
        Cyclic messages of nodes that were heard otherwise, of which no frame came.
    """

    too_often: Identifiers
    absent: tuple[str, ...]


def rates(trace: Trace, database: Database, *, left_out: Collection[str] = ()) -> Rates:
    """Compare the number of frames of every cyclic message with its declared cycle.

    Parameters
    ----------
    trace
        The recording.
    database
        Declares cycles and senders.
    left_out
        Messages that are not to be called absent.
    """
    none = Rates(np.zeros(0, np.uint32), ())
    cyclic = [each for each in database.messages if each.cycle_time_s]
    duration_s = (int(trace.time_ns.max()) - trace.start_ns) / NANOSECONDS_PER_SECOND if len(trace) else 0.0
    if not cyclic or duration_s <= 0:
        return none
    counts: Counter[int] = Counter()
    for recorded, frames in zip(trace.streams.identifier.tolist(), trace.streams.frames.tolist(), strict=True):
        counts[recorded] += frames
    identifier = np.array([each.identifier for each in cyclic], np.uint32)
    number = np.array([counts[each.identifier] for each in cyclic])
    share = number * np.array([each.cycle_time_s or 0.0 for each in cyclic]) / duration_s
    known = number >= FEWEST_FRAMES
    often = share > TOO_OFTEN * np.median(share[known]) if known.any() else known
    heard = {sender for each, one in zip(cyclic, number.tolist(), strict=True) if one for sender in each.senders}
    absent = tuple(
        each.name
        for each, one in zip(cyclic, number.tolist(), strict=True)
        if not one and each.name not in left_out and heard & set(each.senders)
    )
    return Rates(identifier[known & often], absent if len(absent) <= MOST_ABSENT else ())
