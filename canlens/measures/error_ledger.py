"""Error ledger: every error record of a recording, in words and in order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.error_evidence import ErrorLedger
from canlens.measures.error_episodes import episode_starts, episodes
from canlens.measures.error_records import ALL_NAMED, ErrorRecords, broken_frames, error_records
from canlens.measures.error_states import state_steps
from canlens.measures.error_words import counted_errors
from canlens.measures.traffic import traffic_of
from canlens.trace import Kind
from canlens.wire import describe_error
from canlens.wire.error_classes import CLASS_KEYS

if TYPE_CHECKING:
    from canlens.results import Recorded
    from canlens.trace import Trace

UNSPECIFIED = "unspecified"


def errors_recorded(trace: Trace) -> tuple[Recorded, str]:
    """Tell whether the recorder kept errors, and how that can be known.

    Returns
    -------
    str
        ``yes``, ``no`` (the format has no place for them) or ``unknown``.
    str
        Why, as a sentence.
    """
    number = int(np.count_nonzero(trace.kind == Kind.ERROR))
    if number:
        return "yes", f"It holds {number} error record{'s' if number > 1 else ''}."
    counted = counted_errors(trace) if trace.remarks else None
    if counted is not None:
        return "yes", f"The recorder's own statistics count {counted} error frames."
    if not trace.source.can_hold_errors:
        return "no", f"A recording in the {trace.source.format} format has no place for error frames."
    if trace.source.format == "candump":
        return "unknown", "No error records; candump writes them only when it is asked to."
    return "unknown", "No error records; the recording does not say whether the recorder would have kept any."


def error_ledger(trace: Trace, *, channel: str | None = None, bit_rate: float | None = None) -> ErrorLedger:
    """Sort every error record of a recording by what it says.

    Parameters
    ----------
    trace
        The recording.
    channel
        Name of the channel to look at; None: all records, taken as one bus.
    bit_rate
        Nominal bit rate [bit/s]; None: inferred where it is needed.

    Returns
    -------
    ErrorLedger
    """
    recorded, because = errors_recorded(trace)
    own = trace if channel is None or trace.channels == (channel,) else trace.on_channel(channel)
    records = error_records(own)
    good = len(own) - len(records)
    steps = state_steps(own, records, channel=channel) if len(records) or trace.remarks else ()
    if not len(records):
        return ErrorLedger(0, good, recorded, because, classes=_no_classes(), states=steps)
    traffic = traffic_of(own, bit_rate=bit_rate)
    broken = broken_frames(records)
    classes, places, details = _counts(records)
    return ErrorLedger(
        frames=len(records),
        good_frames=good,
        recorded=recorded,
        recorded_because=because,
        classes=classes,
        places=places,
        details=details,
        states=steps,
        episodes=episodes(traffic, broken, episode_starts(traffic, broken)),
        time_s=records.time_s,
        line=records.line,
    )


def _no_classes() -> dict[str, int]:
    """Return every name of a class, none of them seen."""
    return {**dict.fromkeys(CLASS_KEYS.values(), 0), UNSPECIFIED: 0}


def _counts(records: ErrorRecords) -> tuple[dict[str, int], dict[str, int], dict[str, int]]:
    """Count classes by name, and places and details in words."""
    classes, places, details = _no_classes(), dict[str, int](), dict[str, int]()
    detail = records.detail.copy()
    detail[:, [0, 5, 6, 7]] = (
        0  # the bit at which arbitration was lost and the counters make each record unlike the rest
    )
    columns = np.column_stack([records.classes.astype(">u4").view(np.uint8).reshape(-1, 4), detail])
    kinds, numbers = np.unique(columns, axis=0, return_counts=True)
    for kind, number in zip(kinds, numbers.tolist(), strict=True):
        bits = int.from_bytes(kind[:4].tobytes(), "big")
        record = describe_error(bits, kind[4:].tobytes())
        names = [name for bit, name in CLASS_KEYS.items() if bits & bit] if bits & ALL_NAMED else [UNSPECIFIED]
        for name in names:
            classes[name] += number
        if record.place:
            places[record.place] = places.get(record.place, 0) + number
        for words in (*record.controller, *record.protocol, *record.transceiver):
            details[words] = details.get(words, 0) + number
    return classes, _most_first(places), _most_first(details)


def _most_first(counts: dict[str, int]) -> dict[str, int]:
    """Sort counts, the greatest first."""
    return dict(sorted(counts.items(), key=lambda each: (-each[1], each[0])))
