"""Lone sender: one frame sent again and again because nobody acknowledges it.

References
----------
Bosch CAN Specification 2.0 (1991), part A 7, rule 3, exception 1, and its note: with only one node on line the
sender gets no acknowledgement, repeats the frame and becomes error passive, but not bus-off for that reason.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.error_evidence import LoneSender
from canlens.measures.error_records import broken_frames
from canlens.trace import Kind
from canlens.wire import ErrorClass

if TYPE_CHECKING:
    from canlens.measures.error_records import ErrorRecords
    from canlens.trace import Bools, Trace

FEWEST_RECORDS = 16
"""A sender to which nobody answers is error passive after 16 tries (8 counts each, 128 in all); fewer may be a node
that woke up before the others."""
ACKNOWLEDGE_PLACES = (0x19, 0x1B)
"""Acknowledge slot and its delimiter (SJA1000, table 21)."""
LEAST_SHARE = 0.9
"""So many of the errors must be missing acknowledgements; a bus with other errors has another fault."""


def lone_sender(trace: Trace, records: ErrorRecords) -> LoneSender | None:
    """Find a sender to which nobody answers.

    Parameters
    ----------
    trace
        All records of one channel.
    records
        Its error records.

    Returns
    -------
    LoneSender
        None unless there are :data:`FEWEST_RECORDS` missing acknowledgements, hardly another error, and no frames but
        those of one identifier.
    """
    missing = _unacknowledged(records)
    number = int(missing.sum())
    if number < FEWEST_RECORDS or number < LEAST_SHARE * len(broken_frames(records)):
        return None
    is_frame = trace.kind != Kind.ERROR
    identities = np.unique(
        trace.identifier[is_frame].astype(np.int64) | trace.is_extended[is_frame].astype(np.int64) << 29
    )
    if len(identities) > 1:
        return None
    alone = int(identities[0]) if len(identities) else None
    gaps_s = np.diff(records.time_s[missing])
    told = records.has_counters & missing
    return LoneSender(
        identifier=alone & (1 << 29) - 1 if alone is not None else None,
        is_extended=alone is not None and bool(alone >> 29),
        records=number,
        interval_s=float(np.median(gaps_s)),
        tec=int(records.detail[told, 6].max()) if told.any() else None,
        line=int(records.line[missing][0]),
        last_line=int(records.line[missing][-1]),
    )


def _unacknowledged(records: ErrorRecords) -> Bools:
    """Tell which records say that an acknowledgement was missing."""
    said: Bools = (records.classes & ErrorClass.NO_ACKNOWLEDGE) != 0
    placed: Bools = ((records.classes & ErrorClass.PROTOCOL) != 0) & np.isin(records.detail[:, 3], ACKNOWLEDGE_PLACES)
    return said | placed
