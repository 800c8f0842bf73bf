"""Error records: the records of one channel as columns, with what the lines beside them say put into the same bits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.error_words import said_of_errors
from canlens.trace import Kind
from canlens.wire import ErrorClass
from canlens.wire.error_classes import CLASS_KEYS

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bytes, Identifiers, Ints, Rows, Trace

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

    Parameters
    ----------
    trace
        Frames of one channel, or of several.

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
