"""wire: what the CAN standard fixes: bit counts, stuffing, check sequences, DLC and bytes, error classes.

Nothing in here knows of recordings; the functions take plain columns, one element a frame.
"""

from __future__ import annotations

from canlens.wire.error_classes import (
    ControllerState,
    ErrorClass,
    ProtocolError,
    class_words,
    controller_words,
    describe_error,
    place_words,
    protocol_words,
    transceiver_words,
)
from canlens.wire.exact import (
    FrameColumns,
    arbitration_rank,
    data_rate_bits,
    exact_bits,
    falling_edges,
    frame_bounds,
    frame_seconds,
    is_fd_on_wire,
    length_on_wire,
)
from canlens.wire.lengths import (
    CLASSICAL_LENGTH,
    ERROR_FRAME_BITS,
    FD_DLC,
    FD_LENGTH,
    INTERMISSION_BITS,
    longest_bits,
    unstuffed_bits,
    unstuffed_data_rate_bits,
)

__all__ = [
    "CLASSICAL_LENGTH",
    "ERROR_FRAME_BITS",
    "FD_DLC",
    "FD_LENGTH",
    "INTERMISSION_BITS",
    "ControllerState",
    "ErrorClass",
    "FrameColumns",
    "ProtocolError",
    "arbitration_rank",
    "class_words",
    "controller_words",
    "data_rate_bits",
    "describe_error",
    "exact_bits",
    "falling_edges",
    "frame_bounds",
    "frame_seconds",
    "is_fd_on_wire",
    "length_on_wire",
    "longest_bits",
    "place_words",
    "protocol_words",
    "transceiver_words",
    "unstuffed_bits",
    "unstuffed_data_rate_bits",
]
