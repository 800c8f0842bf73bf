"""A plan that names a channel, and a recording of a format that names none."""

from __future__ import annotations

import io

import pytest

from canlens import read_trace
from canlens.errors import UsageError
from canlens.measures.gathering import on_channel

CSV = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.5,0x7ff,0,0,0,1,AA==\n"


def test_a_recording_without_names_of_channels_says_so() -> None:
    with pytest.raises(UsageError, match=r"no channel 'can0' in this recording; it names none\. Leave the channel out"):
        on_channel(read_trace(io.BytesIO(CSV)), "can0")


def test_a_recording_with_other_channels_names_them() -> None:
    trace = read_trace(io.BytesIO(b"(1.5) can1 123#11\n(1.6) can2 123#11\n"))
    with pytest.raises(UsageError, match=r"it has can1, can2\. Name one of these with --channel"):
        on_channel(trace, "can0")
