"""python-can 4.6.1 as the judge: its own sample files read by both, and each deliberate difference named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import can
import pytest

from canlens.readers import read_trace
from canlens.trace import Kind, Trace

if TYPE_CHECKING:
    from pathlib import Path

Facts = list[tuple[object, ...]]

SAME: Final = (
    "issue_1256.asc", "logfile_errorframes.asc", "single_frame_us_locale.asc", "test_CanErrorFrames.asc",
    "test_CanMessage.asc", "test_CanMessage.asc.gz", "test_CanRemoteMessage.asc", "test_CanFdMessage.asc",
    "test_CanFdMessage64.asc", "logfile.asc", "issue_1299.asc", "test_CanFdRemoteMessage.asc",
    "test_CanMessage.trc", "test_CanMessage_V1_0_BUS1.trc", "test_CanMessage_V1_1.trc", "test_CanMessage_V1_3.trc",
    "test_CanMessage_V2_0_BUS1.trc", "test_CanMessage_V2_1.trc", "issue_1905.blf", "test_CanErrorFrameExt.blf",
)  # fmt: skip
DIFFERENT: Final = {
    "single_frame.asc": "64 bytes in a classical frame of DLC 0x40: no such frame can be on a bus",
    "test_CanFdMessage.blf": "a base identifier of more than eleven bits",
    "test_CanFdMessage64.blf": "a base identifier of more than eleven bits",
    "test_CanMessage.blf": "a base identifier of more than eleven bits",
    "test_CanMessage2.blf": "a base identifier of more than eleven bits",
}
"""Files of which python-can makes frames that cannot be; each of these becomes a problem here."""


def ours(trace: Trace) -> Facts:
    """Return what we read of each frame."""
    return [
        (
            int(trace.time_ns[row]),
            int(trace.identifier[row]),
            bool(trace.is_extended[row]),
            Kind(int(trace.kind[row])),
            trace.payload[row],
            bool(trace.is_fd[row]),
            bool(trace.bit_rate_switch[row]),
            bool(trace.error_state_indicator[row]),
            bool(trace.is_rx[row]),
        )
        for row in range(len(trace))
    ]


def theirs(path: Path, *, is_asc: bool) -> Facts:
    """Return what python-can reads, with the faults that are known put right."""
    out: Facts = []
    with can.LogReader(path) as reader:
        for message in reader:
            is_error = message.is_error_frame
            kind = Kind.ERROR if is_error else Kind.REMOTE if message.is_remote_frame else Kind.DATA
            out.append((
                _nanoseconds(message.timestamp, is_asc=is_asc),
                0 if is_error else message.arbitration_id,  # of an ErrorFrame it tells no class
                bool(message.is_extended_id) and not is_error,  # an error record has no identifier
                kind,
                b"" if kind is Kind.REMOTE else bytes(message.data),
                message.is_fd and kind is Kind.DATA,  # a remote frame on a CANFD line is no FD frame
                message.bitrate_switch and kind is Kind.DATA,
                message.error_state_indicator and kind is Kind.DATA,
                message.is_rx or is_error,  # an ErrorFrame line of the sender is heard, not sent
            ))  # fmt: skip
    return out


def _nanoseconds(stamp_s: float, *, is_asc: bool) -> int:
    """Return the stamp as written, of which a float keeps six decimals."""
    return round(stamp_s * 1e9) if is_asc else round(stamp_s) * 10**9 + round((stamp_s - round(stamp_s)) * 1e6) * 1000


@pytest.mark.parametrize("name", SAME)
def test_a_sample_file_reads_as_python_can_reads_it(name: str, python_can_samples: Path) -> None:
    path = python_can_samples / name
    trace = read_trace(path)
    expected = theirs(path, is_asc=".asc" in name)
    assert ours(trace) == expected
    assert len(expected) > 0
    assert trace.problems == ()


@pytest.mark.parametrize("name", DIFFERENT)
def test_frames_that_cannot_be_are_problems(name: str, python_can_samples: Path) -> None:
    path = python_can_samples / name
    trace = read_trace(path)
    assert len(trace) == 0
    assert trace.problem_count == len(theirs(path, is_asc=False))


def test_no_sample_file_is_forgotten(python_can_samples: Path) -> None:
    logs = {path.name for path in python_can_samples.iterdir() if path.suffix in {".asc", ".blf", ".gz", ".trc"}}
    assert logs == {*SAME, *DIFFERENT}


def test_the_dlc_of_a_classical_frame_is_the_code(python_can_samples: Path) -> None:
    # python-can 4.6.1 tells 32 for the code 13
    assert read_trace(python_can_samples / "issue_1299.asc").dlc.tolist() == [8, 8, 13, 8]
