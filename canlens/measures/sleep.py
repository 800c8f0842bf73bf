"""Sleep: when each channel was silent, who woke it, and who spoke last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.message_evidence import Places, QuietEvidence, Speaker, Wake
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.message_evidence import Stop
    from canlens.trace import Rows, Trace

SILENCE_S = 2.0
"""A channel that is silent for longer sleeps (our choice: messages of a bus that is awake come at least once a second,
as a rule)."""
BLOCK = 1 << 17
"""Frames that are looked at in one step, so that memory stays small."""
SILENCE_GAPS = 10
"""On a bus of a few slow messages the silence must besides be so many times the median gap between frames."""


@dataclass(frozen=True, eq=False)
class Awake:
    """Stretches in which the channels of a recording were awake.

    Attributes
    ----------
    number
        int (n,): number of the stretch that each row lies in; it grows at each silence, and where the clock restarts.
    before, after
        intp (k,): for each silence, the row of the last frame before and of the first one after it.
    """

    number: npt.NDArray[np.signedinteger]
    before: Rows
    after: Rows


def awake(trace: Trace) -> Awake:
    """Find the silences of every channel.

    Error records count as no frames: a lone node that nobody answers does not keep the others awake. Where the clock
    restarts it is not known how long the silence was; it is none.
    """
    found: list[tuple[int, Rows, Rows]] = []
    for channel in range(max(len(trace.channels), 1)):
        before, after = silences(trace, channel, longer_than_s=SILENCE_S)
        if not len(before):
            continue
        usual_ns = float(np.median(np.diff(trace.time_ns[_frames(trace, channel)])))
        long = trace.time_ns[after] - trace.time_ns[before] > SILENCE_GAPS * usual_ns
        long &= trace.segment[before] == trace.segment[after]
        if long.any():
            found.append((channel, before[long], after[long]))
    if not found:
        none: Rows = np.zeros(0, np.intp)
        return Awake(trace.segment, none, none)
    number = trace.segment.astype(np.int64) * (1 << 20)
    for channel, before, _ in found:
        rows = _frames(trace, channel)
        number[rows] += np.searchsorted(before, rows, "left")
    last, first = (np.concatenate([each[at] for each in found]) for at in (1, 2))
    order = np.argsort(first, kind="stable")
    return Awake(number, last[order], first[order])


def silences(trace: Trace, channel: int, *, longer_than_s: float) -> tuple[Rows, Rows]:
    """Find where a channel carried no data or remote frame for long.

    Returns
    -------
    tuple
        Rows of the frames before and after each silence, intp (k,).
    """
    limit_ns = longer_than_s * NANOSECONDS_PER_SECOND
    none = np.zeros(0, np.intp)
    befores, afters, last = [none], [none], none
    for start in range(0, len(trace), BLOCK):
        part = slice(start, start + BLOCK)
        rows = _frames(trace, channel, part)
        stamp_ns = trace.time_ns[part]
        stamp_ns = stamp_ns if len(rows) == len(stamp_ns) else stamp_ns[rows]
        if len(last) and len(rows) and stamp_ns[0] - trace.time_ns[last[0]] > limit_ns:
            befores.append(last)
            afters.append(start + rows[:1])
        long = np.flatnonzero(stamp_ns[1:] - stamp_ns[:-1] > limit_ns)
        befores.append(start + rows[long])
        afters.append(start + rows[long + 1])
        last = start + rows[-1:] if len(rows) else last
    return np.concatenate(befores), np.concatenate(afters)


def _frames(trace: Trace, channel: int, part: slice = slice(None)) -> Rows:
    """Return the rows, counted from the part's first one, of the data and remote frames of one channel."""
    found: Rows = np.flatnonzero((trace.channel[part] == channel) & (trace.kind[part] != Kind.ERROR))
    return found


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
    stamp_ns = trace.time_ns if len(frames) == len(trace) else trace.time_ns[frames]
    last = frames[np.argmax(stamp_ns)] if len(frames) else None
    backwards = np.flatnonzero(trace.time_ns[1:] < trace.time_ns[:-1]) + 1
    backwards = backwards[trace.segment[backwards] == trace.segment[backwards - 1]]
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
