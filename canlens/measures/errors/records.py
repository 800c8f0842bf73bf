"""Records: error records and good frames of one channel as columns, with what the lines beside them say."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np

from canlens import wire
from canlens.measures.bus_load.bit_rate import inferred_bit_rate
from canlens.nouns.bus import StateStep
from canlens.trace import NANOSECONDS_PER_SECOND, Kind
from canlens.wire import ErrorClass, ProtocolError
from canlens.wire.error_classes import CLASS_KEYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import Identity, NodeState
    from canlens.signals import Floats
    from canlens.trace import Bytes, Identifiers, Ints, Rows, Trace


# Error words: what recorders write beside an error record, or of their controller's state, as plain text.
#
# References
# ----------
# There is no public specification of these lines; the forms are those of the sample files of python-can 4.6.1
# (``test/data``: ``logfile.asc``, ``test_CanErrorFrames.asc``, ``test_CanMessage_V1_1.trc`` and ``_V2_0_BUS1.trc``).
# The error code capture byte: Philips data sheet SJA1000 (2000), table 21.


ERROR_LINE: Final = re.compile(r"\bErrorFrame\b\s*(?P<fields>.*)", re.IGNORECASE)
CAPTURE: Final = re.compile(r"\bECC:\s*(?P<bits>[01]{8})\b", re.IGNORECASE)
SAID: Final[dict[str, tuple[int, int]]] = {
    "not acknowledge error": (ErrorClass.NO_ACKNOWLEDGE, 0),
    "ack error": (ErrorClass.NO_ACKNOWLEDGE, 0),
    "bit error": (ErrorClass.PROTOCOL, ProtocolError.BIT),
    "stuff error": (ErrorClass.PROTOCOL, ProtocolError.STUFF),
    "form error": (ErrorClass.PROTOCOL, ProtocolError.FORM),
    "crc error": (ErrorClass.PROTOCOL, 0),
}
"""Words that a line may say of its error frame: class, and kind of violation."""
CAPTURED: Final = (ProtocolError.BIT, ProtocolError.FORM, ProtocolError.STUFF, ProtocolError(0))
"""Bits 7 and 6 of the error code capture byte."""
RECEIVING, PLACE_BITS = 0x20, 0x1F

CHIP_STATUS: Final = re.compile(
    r"^(?P<seconds>\d+)[.,](?P<fraction>\d+)\s+CAN\s+(?P<channel>\S+)\s+Status:\s*chip status\s+(?P<state>[a-z -]+?)"
    r"\s*(?:-\s*TxErr:\s*(?P<tec>\d+)\s+RxErr:\s*(?P<rec>\d+))?\s*$",
    re.IGNORECASE,
)
CHIP_STATES: Final[dict[str, NodeState]] = {
    "error active": "active",
    "warning level": "warning",
    "error passive": "passive",
    "bus off": "bus-off",
    "busoff": "bus-off",
}
BUS_STATUS: Final = re.compile(
    r"^\d+\)?\s+(?P<milliseconds>\d+(?:\.\d+)?)\s+(?:(?P<channel>\d+)\s+)?"
    r"(?:Warng\s+FFFFFFFF|ST\b)\D*?(?:\d+\s+)?(?:-\s+)?(?:Rx\s+)?(?:-\s+)?(?:4\s+)?"
    r"(?P<code>(?:[0-9A-F]{2}\s+){3}[0-9A-F]{2})\b",
    re.IGNORECASE,
)
BUS_CODES: Final[dict[int, NodeState]] = {0x00: "active", 0x04: "warning", 0x08: "warning", 0x10: "bus-off"}
"""Status codes: none, light and heavy errors (an error counter reached its limit), bus off; of bits set together the
highest counts (status codes in python-can 4.6.1, ``can/interfaces``)."""
STATISTIC: Final = re.compile(r"\bStatistic:.*\bE\s+(?P<errors>\d+)\b", re.IGNORECASE)


def said_of_errors(trace: Trace) -> dict[int, tuple[int, int, int]]:
    """Return what lines of error records say in words, by line: class bits, kind of violation, place."""
    found: dict[int, tuple[int, int, int]] = {}
    for remark in trace.remarks:
        match = ERROR_LINE.search(remark.text)
        if match is None:
            continue
        capture = CAPTURE.search(match["fields"])
        if capture is not None:
            found[remark.line] = _captured(int(capture["bits"], 2))
            continue
        lowered = match["fields"].lower()
        for words, (classes, violation) in SAID.items():
            if lowered.startswith(words):
                found[remark.line] = (int(classes), int(violation), 0)
                break
    return found


def _captured(code: int) -> tuple[int, int, int]:
    """Return class, violation and place of an error code capture byte."""
    sending = 0 if code & RECEIVING else int(ProtocolError.SENDING)
    return int(ErrorClass.PROTOCOL), int(CAPTURED[code >> 6]) | sending, code & PLACE_BITS


def told_states(trace: Trace, channel: str | None) -> Iterator[StateStep]:
    """Yield the states of the recorder's controller that lines between the frames tell, of one channel or of all."""
    for remark in trace.remarks:
        text = remark.text.strip()
        match = CHIP_STATUS.match(text)
        if match is not None and match["state"].lower() in CHIP_STATES:
            if channel is None or match["channel"] == channel:
                stamp_ns = int(match["seconds"]) * 10**9 + int(match["fraction"].ljust(9, "0")[:9])
                tec, rec = (int(match[name]) if match[name] else None for name in ("tec", "rec"))
                time_s = _between_rows(trace, remark.line, stamp_ns)
                yield StateStep(time_s, remark.line, CHIP_STATES[match["state"].lower()], tec, rec)
            continue
        match = BUS_STATUS.match(text)
        if match is not None and (channel is None or match["channel"] in {None, channel}):
            code = int(match["code"].split()[-1], 16)
            state = BUS_CODES.get(1 << code.bit_length() - 1 if code else 0)
            if state is not None:
                yield StateStep(_between_rows(trace, remark.line, None), remark.line, state)


def _between_rows(trace: Trace, line: int, stamp_ns: int | None) -> float:
    """Return when a line between the frames was written [s]: its stamp, kept between those of the rows around it."""
    at = int(np.searchsorted(trace.line, line))
    around_ns = trace.time_ns[max(at - 1, 0) : at + 1] - trace.start_ns
    first_ns, last_ns = (int(around_ns[0]), int(around_ns[-1])) if len(around_ns) else (0, 0)
    own_ns = stamp_ns - trace.start_ns if stamp_ns is not None else first_ns
    time_ns = min(own_ns, last_ns) if not at else min(max(own_ns, first_ns), max(first_ns, last_ns))
    return time_ns / NANOSECONDS_PER_SECOND


def counted_errors(trace: Trace) -> int | None:
    """Return how many error frames the recorder's own statistics count; None where it keeps none."""
    counts = [int(match["errors"]) for remark in trace.remarks if (match := STATISTIC.search(remark.text))]
    return sum(counts) if counts else None


# Error records: the records of one channel as columns, with what the lines beside them say put into the same bits.


ON_THE_BUS = ErrorClass.PROTOCOL | ErrorClass.NO_ACKNOWLEDGE | ErrorClass.BUS_ERROR
"""Classes that stand for an error frame."""
ALL_NAMED = int(sum(CLASS_KEYS))
"""All class bits that have a name."""


@dataclass(frozen=True, eq=False)
class ErrorRecords:
    """The error records of a trace.

    Attributes
    ----------
    row
        intp (n,): their rows in the trace, ascending.
    time_s, line
        float64 and int64 (n,).
    classes
        uint32 (n,): class bits, as of :class:`canlens.wire.ErrorClass`.
    detail
        uint8 (n, 8): detail bytes in the SocketCAN order.
    """

    row: Rows
    time_s: Floats
    line: Ints
    classes: Identifiers
    detail: Bytes

    def __len__(self) -> int:
        return len(self.row)

    @property
    def has_counters(self) -> np.typing.NDArray[np.bool_]:
        """Tell whether bytes 6 and 7 are error counters, as bool (n,); older drivers fill them without saying so."""
        told: np.typing.NDArray[np.bool_] = (self.classes & ErrorClass.COUNTERS) != 0
        return told | self.detail[:, 6:8].any(axis=1)


def broken_frames(records: ErrorRecords) -> ErrorRecords:
    """Pick the records that stand for an error frame on the bus, and not only for a state of the recorder's controller.

    A record of which nothing is told is one too.
    """
    which = ((records.classes & ON_THE_BUS) != 0) | ((records.classes & ALL_NAMED) == 0)
    if which.all():
        return records
    columns = (records.row, records.time_s, records.line, records.classes, records.detail)
    return ErrorRecords(*(column[which] for column in columns))


def error_records(trace: Trace) -> ErrorRecords:
    """Pick the error records of a trace.

    Returns
    -------
    ErrorRecords
        Where the recorder wrote words beside a record (error code capture, kind of error), they stand in the same
        bits as those of a record that came with them.
    """
    row = np.flatnonzero(trace.kind == Kind.ERROR)
    classes = trace.identifier[row]
    detail = trace.payload.first8[row]
    line = trace.line[row]
    if len(row) and trace.remarks:
        classes, detail = classes.copy(), detail.copy()
        for at, (bits, violation, place) in said_of_errors(trace).items():
            index = int(np.searchsorted(line, at))
            if index < len(line) and line[index] == at:
                classes[index] |= np.uint32(bits)
                detail[index, 2] |= np.uint8(violation)
                detail[index, 3] = place or detail[index, 3]
    return ErrorRecords(row, trace.time_s[row] if len(row) else np.zeros(0), line, classes, detail)


# Traffic: the good frames of one channel as columns that say who sent what, when, and how long it took.


EXTENDED_FLAG = 1 << 29
INFERRING_FRAMES = 50_000
"""Frames from which an unknown bit rate is inferred here; more of them would not change the answer."""
USUAL_BITS = 120.0
"""Bits of a frame with eight bytes and its intermission, give or take; only used where the bit rate is unknown."""
SHORTEST_PERCENT = 5.0
"""So many percent of the gaps are taken to be frames without a pause, where the bit rate is unknown."""


@dataclass(frozen=True, eq=False)
class Traffic:
    """Data and remote frames of one channel, in file order.

    Attributes
    ----------
    row
        intp (n,): rows of the frames in the trace.
    time_s
        float64 (n,): their stamps [s].
    identity
        int64 (n,): index into ``identities``.
    bit_s
        Duration of a nominal bit [s].
    """

    trace: Trace
    row: Rows
    time_s: Floats
    identity: Ints
    identities: tuple[Identity, ...]
    bit_s: float

    def __len__(self) -> int:
        return len(self.row)

    @cached_property
    def frames(self) -> Trace:
        """The frames alone."""
        return self.trace if len(self.row) == len(self.trace) else self.trace.where(self.row)

    @cached_property
    def bits(self) -> Ints:
        """int64 (n,): bits of each frame on the wire, with intermission."""
        return self.frames.exact_bits() + wire.INTERMISSION_BITS

    @cached_property
    def edges(self) -> Ints:
        """int64 (n,): recessive-to-dominant edges of each frame."""
        return wire.falling_edges(self.frames)

    @cached_property
    def rank(self) -> Ints:
        """int64 (k,): order in which the identities win the bus."""
        numbers: Identifiers = np.array([number for number, _ in self.identities], np.uint32)
        return wire.arbitration_rank(numbers, np.array([extended for _, extended in self.identities], np.bool_))

    @cached_property
    def counts(self) -> Ints:
        """int64 (k,): number of frames of each identity."""
        return np.bincount(self.identity, minlength=len(self.identities))

    @property
    def duration_s(self) -> float:
        """Span of the frames [s]."""
        return float(np.ptp(self.time_s)) if len(self) else 0.0

    @property
    def busy_share(self) -> float:
        """Share of the time for which frames hold the bus, about, 0 to 1."""
        return min(float(self.bits.sum()) * self.bit_s / self.duration_s, 1.0) if self.duration_s > 0 else 0.0

    @property
    def frame_s(self) -> float:
        """Duration of a usual frame [s]."""
        return float(np.median(self.bits[:INFERRING_FRAMES])) * self.bit_s if len(self) else USUAL_BITS * self.bit_s


def traffic_of(trace: Trace, *, bit_rate: float | None = None) -> Traffic:
    """Put the frames of one channel into columns.

    Parameters
    ----------
    bit_rate
        Nominal [bit/s]; None: inferred, or guessed from the shortest gaps where that cannot be.
    """
    row = np.flatnonzero(trace.kind != Kind.ERROR)
    time_s = trace.time_s[row]
    codes = trace.identifier[row].astype(np.int64) | trace.is_extended[row].astype(np.int64) << 29
    numbers, identity = np.unique(codes, return_inverse=True)
    identities = tuple((int(code) & EXTENDED_FLAG - 1, bool(code >> 29)) for code in numbers)
    if bit_rate is None:
        bit_rate = inferred_bit_rate(trace.where(slice(0, INFERRING_FRAMES))).bit_rate
    bit_s = 1 / bit_rate if bit_rate else _guessed_bit_s(time_s)
    return Traffic(trace, row, time_s, identity.astype(np.int64), identities, bit_s)


def _guessed_bit_s(time_s: Floats) -> float:
    """Guess the duration of a bit from the shortest gaps between frames [s]; that of 250 kbit/s without any."""
    gaps_s = np.diff(time_s)
    gaps_s = gaps_s[gaps_s > 0]
    return float(np.percentile(gaps_s, SHORTEST_PERCENT)) / USUAL_BITS if len(gaps_s) else 1 / 250_000
