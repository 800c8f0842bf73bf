"""MF4: written by python-can with asammdf, read back; cut off anywhere it is a sentence or what was good."""

from __future__ import annotations

import gc
import hashlib
import io
import os
import threading
from typing import TYPE_CHECKING

import can
import pytest

from canlens.errors import LogError
from canlens.readers import read_trace
from canlens.readers.formats import mf4
from canlens.trace import Kind
from tests.readers.formats import Format

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = Format("mf4", ".mf4", is_text=False, needs="asammdf")

COUNT = 60
START_S = 1_436_509_052.25


@pytest.fixture
def written(tmp_path: Path) -> tuple[Path, list[can.Message]]:
    """Let python-can write a recording; skip where the extra package is missing."""
    if "mf4" not in os.environ.get("CANLENS_REQUIRE", ""):
        pytest.importorskip("asammdf", reason="the extra mf4 is not installed", exc_type=ImportError)
    messages = [
        can.Message(
            timestamp=START_S + 0.0625 * number,
            arbitration_id=0x100 + number if number % 2 else 0x18FEF100 + number,
            is_extended_id=not number % 2,
            is_remote_frame=number % 7 == 6,
            is_rx=bool(number % 3),
            channel=number // 2 % 2 + 1,
            dlc=number % 9,
            data=None if number % 7 == 6 else bytes(range(number % 9)),
        )
        for number in range(COUNT)
    ]
    path = tmp_path / "a.mf4"
    with can.Logger(path) as writer:
        for message in messages:
            writer.on_message_received(message)
    return path, messages


def test_every_data_frame_comes_back(written: tuple[Path, list[can.Message]]) -> None:
    path, messages = written
    trace = read_trace(path)
    assert trace.problems == ()
    assert trace.source.format == "mf4"
    rows = [row for row in range(len(trace)) if trace.kind[row] == Kind.DATA]
    sent = [message for message in messages if not message.is_remote_frame]
    assert [
        (
            int(trace.time_ns[row]),
            int(trace.identifier[row]),
            bool(trace.is_extended[row]),
            trace.payload[row],
            bool(trace.is_rx[row]),
            trace.channels[trace.channel[row]],
        )
        for row in rows
    ] == [
        (
            round(message.timestamp * 1e6) * 1000,
            message.arbitration_id,
            message.is_extended_id,
            bytes(message.data),
            message.is_rx,
            str(message.channel),
        )
        for message in sent
    ]


def test_remote_frames_come_back(written: tuple[Path, list[can.Message]]) -> None:
    path, messages = written
    trace = read_trace(path)
    remote = trace.identifier[trace.kind == Kind.REMOTE].tolist()
    assert sorted(remote) == sorted(message.arbitration_id for message in messages if message.is_remote_frame)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # asammdf leaves its file open
def test_a_file_cut_off_is_a_sentence(written: tuple[Path, list[can.Message]]) -> None:
    path, _ = written
    content = path.read_bytes()
    for cut in range(64, len(content) - 1, len(content) // 20):
        with pytest.raises(LogError, match="cut off or damaged"):
            read_trace(io.BytesIO(content[:cut]))
    gc.collect()


def test_without_the_extra_the_sentence_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mf4, "find_spec", lambda _: None)
    with pytest.raises(LogError, match="mf4"):
        read_trace(io.BytesIO(b"MDF     4.10    " + bytes(200)))


def test_a_damaged_block_of_packed_frames_costs_only_the_frames_of_its_kind(
    written: tuple[Path, list[can.Message]], capfd: pytest.CaptureFixture[str]
) -> None:
    path, messages = written
    content = bytearray(path.read_bytes())
    place = content.find(b"##DZ") + 56  # behind the header of the block, inside its packed bytes (ASAM MDF 4.1, DZ)
    content[place : place + 12] = bytes(12)
    trace = read_trace(io.BytesIO(bytes(content)))
    kinds = {message.is_remote_frame for message in messages}
    remote = sum(message.is_remote_frame for message in messages)
    assert kinds == {False, True}
    assert len(trace) in {remote, COUNT - remote}
    assert len(trace.problems) == 1
    assert trace.problems[0].count == 1
    assert capfd.readouterr().err == ""


def test_a_pipe_that_has_a_name_is_read_like_standard_input(
    written: tuple[Path, list[can.Message]], tmp_path: Path
) -> None:
    content = written[0].read_bytes()
    pipe = tmp_path / "pipe.mf4"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(content,))
    writer.start()
    trace = read_trace(pipe)
    writer.join()
    assert len(trace) == COUNT
    assert trace.source.sha256 == hashlib.sha256(content).hexdigest()
