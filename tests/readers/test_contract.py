"""One contract for every reader: file order, line numbers, nothing lost, damage stays where it is."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import lzma
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.errors import CanlensError
from canlens.readers import ALL, read_trace
from tests.readers.formats import EPOCH_NS, Format, expected, facts, frames, read_bytes
from tests.readers.registry import FORMATS, WITHOUT_FRAMES, every

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

COUNT = 60
PACKERS: dict[str, Callable[[bytes], bytes]] = {".gz": gzip.compress, ".xz": lzma.compress, ".bz2": bz2.compress}
every_format = every()
every_text = every(lambda form: form.is_text)


def test_every_reader_stands_under_this_contract() -> None:
    assert [form.name for form in FORMATS] == [reader.name for reader in ALL if reader.name != WITHOUT_FRAMES]


@every_format
def test_every_frame_comes_back_in_file_order(form: Format, tmp_path: Path) -> None:
    messages = frames(form, COUNT)
    form.write(tmp_path / f"a{form.suffix}", messages)
    trace = read_trace(tmp_path / f"a{form.suffix}")
    assert facts(trace, form) == expected(messages, form)
    assert trace.problems == ()
    assert trace.source.format == form.name
    if form.is_absolute:
        assert trace.start_ns == EPOCH_NS
    assert len(trace.channels) == (2 if form.holds_channel else 1)
    if form.holds_channel:
        assert trace.channel.tolist() == [number // 2 % 2 for number in range(COUNT)]


@every(lambda form: form.holds_fd)
def test_every_fd_frame_comes_back(form: Format, tmp_path: Path) -> None:
    messages = frames(form, COUNT, fd=True)
    form.write(tmp_path / f"a{form.suffix}", messages)
    trace = read_trace(tmp_path / f"a{form.suffix}")
    assert facts(trace, form) == expected(messages, form)
    assert set(trace.dlc.tolist()) == {0, 1, 8, 9, 15}  # ISO 11898-1: twelve bytes are DLC 9, 64 are 15


@every_format
def test_lines_are_numbered_as_in_the_file(form: Format, tmp_path: Path) -> None:
    form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    trace = read_trace(tmp_path / f"a{form.suffix}")
    assert trace.line.tolist() == list(range(form.first_line, form.first_line + COUNT))


@every_format
def test_exactly_one_reader_knows_the_file(form: Format, tmp_path: Path) -> None:
    head = form.write(tmp_path / f"a{form.suffix}", frames(form, 3))[:4096]
    assert [reader.name for reader in ALL if reader.recognises(head)] == [form.name]


@every_format
def test_the_name_of_the_file_decides_nothing(form: Format, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    assert facts(read_bytes(tmp_path / "b.pdf", content), form) == expected(frames(form, COUNT), form)


@every_format
def test_an_open_file_reads_like_a_path(form: Format, tmp_path: Path) -> None:
    form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    with (tmp_path / f"a{form.suffix}").open("rb") as file:
        assert facts(read_trace(file), form) == expected(frames(form, COUNT), form)


@every_format
@pytest.mark.parametrize("packing", [*PACKERS, ".zip"])
def test_a_packed_file_reads_like_the_file(form: Format, packing: str, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    path = tmp_path / f"name.123{form.suffix}{packing}"
    if packing == ".zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("inside", content)
    else:
        path.write_bytes(PACKERS[packing](content))
    trace = read_trace(path)
    assert facts(trace, form) == expected(frames(form, COUNT), form)
    assert trace.problems == ()
    assert trace.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@every_format
def test_the_hash_is_that_of_the_bytes_on_disk(form: Format, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    assert read_trace(tmp_path / f"a{form.suffix}").source.sha256 == hashlib.sha256(content).hexdigest()


@every_text
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encoded_text_reads_like_plain_text(form: Format, encoding: str, tmp_path: Path) -> None:
    text = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT)).decode()
    trace = read_bytes(tmp_path / "b", text.encode(encoding))
    assert facts(trace, form) == expected(frames(form, COUNT), form)


@every_text
def test_any_line_end_will_do(form: Format, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT)).replace(b"\r\n", b"\n")
    for text in (content.replace(b"\n", b"\r\n"), content.rstrip(b"\n")):
        assert facts(read_bytes(tmp_path / "b", text), form) == expected(frames(form, COUNT), form)


@every_text
@pytest.mark.parametrize(
    "damage", [b"", b"\0\0\0", b"\xff\xfe\xfd broken", b"x" * 1_000_000], ids=["cut", "nul", "bytes", "long"]
)
def test_damage_of_one_line_harms_only_that_line(form: Format, damage: bytes, tmp_path: Path) -> None:
    lines = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT)).splitlines(keepends=True)
    victim = form.first_line + 20
    lines[victim - 1] = (damage or lines[victim - 1][:9]) + b"\n"
    trace = read_bytes(tmp_path / "b", b"".join(lines))
    kept = [line for line in range(form.first_line, form.first_line + COUNT) if line != victim]
    assert trace.line.tolist() == kept
    whole = expected(frames(form, COUNT), form)
    assert facts(trace, form) == [*whole[:20], *whole[21:]]
    assert [problem.line for problem in trace.problems] == [victim]
    assert trace.problem_count == 1
    assert len(trace.problems[0].found) <= 60
    assert trace.problems[0].expected


@every_text
def test_many_bad_lines_are_counted_but_not_all_listed(form: Format, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT)).rstrip(b"\r\n") + b"\n"
    if form.end:
        content = content[: content.index(form.end)]
    trace = read_bytes(tmp_path / "b", content + b"nonsense\n" * 5000)
    assert len(trace) == COUNT
    assert trace.problem_count == 5000
    assert len(trace.problems) == 101


@every_format
def test_a_file_cut_off_anywhere_keeps_what_was_good(form: Format, tmp_path: Path) -> None:
    content = form.write(tmp_path / f"a{form.suffix}", frames(form, COUNT))
    whole = expected(frames(form, COUNT), form)
    for cut in np.linspace(len(content) // 3, len(content) - 1, 23).astype(int).tolist():
        try:
            trace = read_bytes(tmp_path / "b", content[:cut])
        except CanlensError:
            continue
        found = facts(trace, form)
        if form.name == "sqlite":  # the pages of a database lie in any order
            assert found == whole or trace.problems
            continue
        good = len(found) if form.writes_length else max(len(found) - 1, 0)  # a shorter payload is a frame too
        assert found[:good] == whole[:good]
