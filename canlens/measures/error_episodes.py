"""Error episodes: error records that belong to one disturbance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.error_evidence import Episodes
from canlens.measures.retries import retries

if TYPE_CHECKING:
    from canlens.measures.error_records import ErrorRecords
    from canlens.measures.traffic import Traffic
    from canlens.trace import Rows

MERGED_FRAMES = 10
"""Records closer than so many frame times belong together: retries of one broken frame follow each other at once (our
choice; counts of single records give several times too many false alarms where a contact is loose)."""


def episode_starts(traffic: Traffic, records: ErrorRecords) -> Rows:
    """Tell with which records an episode starts.

    Parameters
    ----------
    traffic
        The frames beside the records.
    records
        n error records.

    Returns
    -------
    intp (k,)
        Indices into the records, ascending. A record belongs to the episode before it where it comes within
        :data:`MERGED_FRAMES` frame times of the record before it, or where no good frame came between them and the
        clock did not restart.
    """
    if not len(records):
        return np.zeros(0, np.intp)
    gap_s = np.diff(records.time_s)
    silent = np.diff(np.searchsorted(traffic.row, records.row)) == 0
    close = gap_s <= MERGED_FRAMES * traffic.frame_s
    same_clock = np.diff(traffic.trace.segment[records.row]) == 0
    return np.flatnonzero(np.append(True, ~((close | silent) & same_clock)))


def episodes(traffic: Traffic, records: ErrorRecords, starts: Rows) -> Episodes:
    """Describe the episodes that start with some records."""
    if not len(starts):
        return Episodes.none()
    last = np.append(starts[1:], len(records)) - 1
    victim = np.full(len(starts), -1, np.int64)
    is_extended = np.zeros(len(starts), np.bool_)
    if len(traffic):
        good_again = retries(traffic, records.row[starts]).good_again
        known = good_again >= 0
        frames = traffic.row[good_again[known]]
        victim[known] = traffic.trace.identifier[frames]
        is_extended[known] = traffic.trace.is_extended[frames]
    return Episodes(
        start_s=records.time_s[starts],
        end_s=records.time_s[last],
        line=records.line[starts],
        last_line=records.line[last],
        number=np.diff(np.append(starts, len(records))),
        victim=victim,
        victim_is_extended=is_extended,
    )
