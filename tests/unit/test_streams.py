"""Streams: the frames of a recording put together by channel and identifier."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canlens.trace import Kind, streams_of
from tests.recordings import Frame, recording


def test_streams_keep_channels_extended_and_remote_frames_apart_and_leave_errors_out() -> None:
    trace = recording(
        [
            Frame(identifier=0x123),
            Frame(identifier=0x123, is_extended=True),
            Frame(identifier=0x123, kind=Kind.REMOTE),
            Frame(identifier=0x123, channel="can1"),
            Frame(identifier=0x123, kind=Kind.ERROR),
            Frame(identifier=0x123),
        ]
    )
    found = trace.streams
    assert found.number.tolist() == [0, 1, 2, 3, -1, 0]
    assert found.frames.tolist() == [2, 1, 1, 1]
    assert found.is_extended.tolist() == [False, True, False, False]
    assert found.is_remote.tolist() == [False, False, True, False]
    assert found.channel.tolist() == [0, 0, 0, 1]


@pytest.mark.parametrize("number", [300, 70_000])
def test_streams_of_many_identifiers_are_all_told_apart(number: int) -> None:
    # 70 000 need more than 16 bits to number, and collide in every table
    draw = np.random.default_rng(3)
    identifiers = draw.choice(1 << 29, number, replace=False)
    trace = recording([Frame(identifier=5)] * (2 * number))
    trace = replace(
        trace,
        identifier=np.tile(identifiers, 2).astype(np.uint32),
        is_extended=np.ones(2 * number, bool),
    )
    found = trace.streams
    assert found.identifier.tolist() == sorted(identifiers.tolist())
    assert (found.frames == 2).all()
    assert (trace.identifier[found.rows].reshape(-1, 2) == found.identifier[:, np.newaxis]).all()


def test_a_recording_without_frames_has_no_streams() -> None:
    assert len(recording([]).streams) == 0
    assert len(recording([Frame(kind=Kind.ERROR)]).streams) == 0


FRAME = st.tuples(
    st.integers(0, 2), st.sampled_from([0, 1, 0x123, 0x7FF, 0x1FFF_FFFF]), st.booleans(), st.sampled_from(Kind)
)


@given(st.lists(FRAME, max_size=60))
def test_every_frame_but_error_records_is_in_the_stream_of_what_it_bears(
    frames: list[tuple[int, int, bool, Kind]],
) -> None:
    columns = [np.array(column) for column in zip(*frames, strict=True)] or [np.zeros(0)] * 4
    found = streams_of(
        *(column.astype(kind) for column, kind in zip(columns, (np.int16, np.uint32, bool, np.uint8), strict=True))
    )
    wanted: dict[tuple[int, bool, bool, int], list[int]] = {}
    for row, (channel, identifier, is_extended, kind) in enumerate(frames):
        if kind != Kind.ERROR:
            wanted.setdefault((channel, kind == Kind.REMOTE, is_extended, identifier), []).append(row)
    order = sorted(wanted)
    assert list(zip(found.channel, found.is_remote, found.is_extended, found.identifier, strict=True)) == order
    assert [found.rows[a:b].tolist() for a, b in zip(found.start[:-1], found.start[1:], strict=True)] == [
        wanted[key] for key in order
    ]
    for channel, is_remote, is_extended, identifier in order:
        if not is_remote:
            rows = found.data_rows(identifier, is_extended=is_extended, channel=channel)
            assert rows.tolist() == wanted[channel, False, is_extended, identifier]
    some = found.only(np.array([1, 0x123], np.uint32))
    assert some.rows.tolist() == [row for key in order if key[3] in {1, 0x123} for row in wanted[key]]
    assert some.frames.tolist() == [len(wanted[key]) for key in order if key[3] in {1, 0x123}]


def test_rows_of_several_channels_come_in_file_order() -> None:
    trace = recording([Frame(identifier=5, channel=name) for name in ("can0", "can1", "can0", "can1")])
    assert trace.streams.data_rows(5, is_extended=False).tolist() == [0, 1, 2, 3]
    assert trace.streams.data_rows(5, is_extended=False, channel=1).tolist() == [1, 3]


def test_a_recording_travels_without_what_was_worked_out_of_it() -> None:
    trace = recording([Frame(b"\x01", identifier=5), Frame(b"\x02", identifier=5)])
    before = len(pickle.dumps(trace))
    assert trace.words.tolist() == [1, 2]
    assert len(pickle.dumps(trace)) == before
    again = pickle.loads(pickle.dumps(trace))  # noqa: S301 – written here
    assert again.words.tolist() == [1, 2]
    assert again.channels == trace.channels
