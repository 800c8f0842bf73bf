"""Sleep: when each channel was silent, who woke it, and who spoke last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.message_evidence import Places, QuietEvidence, Speaker, Wake
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.message_evidence import Stop
    from canlens.trace import Ints, Rows, Trace

SILENCE_S = 2.0
"""A channel that is silent for longer sleeps (our choice: messages of a bus that is awake come at least once a second,
as a rule)."""
SILENCE_GAPS = 10
"""On a bus of a few slow messages the silence must besides be so many times the median gap between frames."""


@dataclass(frozen=True, eq=False)
class Awake:
    """Stretches in which the channels of a recording were awake.

    Attributes
    ----------
    number
        int64 (n,): number of the stretch that each row lies in; it grows at each silence, and where the clock restarts.
    before, after
        intp (k,): for each silence, the row of the last frame before and of the first one after it.
    """

    number: Ints
    before: Rows
    after: Rows


def awake(trace: Trace) -> Awake:
    """Find the silences of every channel.

    Error records count as no frames: a lone node that nobody answers does not keep the others awake. Where the clock
    restarts it is not known how long the silence was; it is none.
    """
    number = trace.segment.astype(np.int64) * (1 << 20)
    found: list[tuple[Rows, Rows]] = []
    for channel in range(max(len(trace.channels), 1)):
        rows = np.flatnonzero((trace.channel == channel) & (trace.kind != Kind.ERROR))
        if len(rows) < 2:  # noqa: PLR2004 – there is no gap between fewer
            continue
        gap_ns = np.diff(trace.time_ns[rows])
        silent = np.flatnonzero(gap_ns > SILENCE_S * NANOSECONDS_PER_SECOND)
        if not len(silent):
            continue
        silent = silent[gap_ns[silent] > SILENCE_GAPS * float(np.median(gap_ns))]
        silent = silent[trace.segment[rows[silent]] == trace.segment[rows[silent + 1]]]
        if len(silent):
            number[rows] += np.searchsorted(silent, np.arange(len(rows)), "left")
            found.append((rows[silent], rows[silent + 1]))
    before, after = (np.concatenate(each) for each in zip(*found, strict=True)) if found else (_NO_ROWS, _NO_ROWS)
    order = np.argsort(after, kind="stable")
    return Awake(number, before[order], after[order])


_NO_ROWS: Rows = np.zeros(0, np.intp)


def quiet(trace: Trace, found: Awake, database: Database, *, stops: tuple[Stop, ...] = ()) -> QuietEvidence:
    """Tell who spoke last, and who woke the bus each time.

    Parameters
    ----------
    trace, found
        The recording and its silences.
    database
        Gives names to the identifiers.
    stops
        Shorter silences.
    """
    frames = np.flatnonzero(trace.kind != Kind.ERROR)
    backwards = np.flatnonzero((np.diff(trace.time_ns) < 0) & (np.diff(trace.segment) == 0)) + 1
    last = frames[np.argmax(trace.time_ns[frames])] if len(frames) else None
    return QuietEvidence(
        last=None if last is None else speaker(trace, int(last), database),
        wakes=tuple(
            Wake(_time_s(trace, int(before)), speaker(trace, int(after), database))
            for before, after in zip(found.before, found.after, strict=True)
        ),
        stops=stops,
        backwards=places_at(trace, backwards),
        end_s=(int(trace.time_ns.max()) - trace.start_ns) / NANOSECONDS_PER_SECOND if len(trace) else 0.0,
    )


def speaker(trace: Trace, row: int, database: Database) -> Speaker:
    """Tell who sent the frame of a row, as far as the database knows."""
    identifier, is_extended = int(trace.identifier[row]), bool(trace.is_extended[row])
    message = database.with_identifier(identifier, is_extended=is_extended)
    return Speaker(
        time_s=_time_s(trace, row),
        line=int(trace.line[row]),
        identifier=identifier,
        is_extended=is_extended,
        name=message.name if message else f"0x{identifier:x}",
        sender=", ".join(message.senders) if message and message.senders else None,
    )


def places_at(trace: Trace, rows: Rows) -> Places:
    """Return rows of a recording as evidence: their lines and times."""
    return Places(trace.line[rows], (trace.time_ns[rows] - trace.start_ns) / NANOSECONDS_PER_SECOND)


def _time_s(trace: Trace, row: int) -> float:
    return (int(trace.time_ns[row]) - trace.start_ns) / NANOSECONDS_PER_SECOND
