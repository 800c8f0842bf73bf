"""Packing: archives as people and mail programs make them; damaged, they keep what stands before the damage."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import resource
import sys
import zipfile

import pytest

from canlens.errors import LogError
from canlens.readers import read_trace

LINE = b"(1436509052.249713) vcan0 044#2A366C2BBA\n"
MANY = b"".join(b"(%d.250000) can0 123#%04X\n" % (number, number * 7919 % 65536) for number in range(20_000))


def zipped(*members: tuple[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Make an archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_an_archive_is_read_however_it_is_packed(method: int) -> None:
    trace = read_trace(io.BytesIO(zipped(("folder/a.log", MANY), method=method)))
    assert len(trace) == 20_000
    assert trace.problems == ()


@pytest.mark.parametrize("beside", ["__MACOSX/._a.log", "folder/.DS_Store", "Thumbs.db", "folder/desktop.ini"])
def test_what_an_operating_system_puts_into_an_archive_is_no_recording(beside: str) -> None:
    trace = read_trace(io.BytesIO(zipped(("folder/", b""), ("folder/a.log", LINE * 3), (beside, b"\x00\x05\x16\x07"))))
    assert len(trace) == 3
    assert trace.problems == ()


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress, lambda log: zipped(("a.log", log))])
def test_a_recording_that_was_packed_twice_is_unpacked_twice(pack: object) -> None:
    assert callable(pack)
    for twice in (gzip.compress(pack(LINE * 3)), zipped(("a.packed", pack(LINE * 3)))):
        trace = read_trace(io.BytesIO(twice))
        assert len(trace) == 3
        assert trace.problems == ()


def test_an_archive_cut_off_anywhere_keeps_what_is_there_or_says_that_it_is_cut_off() -> None:
    archive = zipped(("a.log", MANY))
    kept = []
    for cut in range(40, len(archive), len(archive) // 12):
        trace = read_trace(io.BytesIO(archive[:cut]))
        lines = sum(problem.line > 0 for problem in trace.problems)
        assert trace.line.tolist() == list(range(1, len(trace) + 1))
        assert lines <= 1
        assert "cut off" in trace.problems[0].found
        kept.append(len(trace))
    assert kept == sorted(kept)
    assert kept[-1] > 15_000
    with pytest.raises(LogError, match="cut off or damaged"):
        read_trace(io.BytesIO(archive[:20]))


def test_a_changed_byte_in_a_stored_archive_is_found_by_its_check_sum() -> None:
    archive = bytearray(zipped(("a.log", LINE * 3), method=zipfile.ZIP_STORED))
    place = archive.find(b"044#2A")
    archive[place + 4] ^= 1  # another data byte of the same form
    trace = read_trace(io.BytesIO(bytes(archive)))
    assert len(trace) == 3
    assert [problem.line for problem in trace.problems] == [0]
    assert "check sum" in trace.problems[0].found


def test_a_wrong_check_sum_costs_no_frame() -> None:
    packed = bytearray(gzip.compress(MANY, mtime=0))
    packed[-6] ^= 0xFF  # the check sum of the content, RFC 1952 2.3.1
    trace = read_trace(io.BytesIO(bytes(packed)))
    assert len(trace) == 20_000
    assert [problem.line for problem in trace.problems] == [0]
    assert "damaged" in trace.problems[0].found


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress])
def test_what_stands_behind_packed_data_is_told_and_costs_no_frame(pack: object) -> None:
    assert callable(pack)
    trace = read_trace(io.BytesIO(pack(LINE * 3) + b"rubbish " * 1000))
    assert len(trace) == 3
    assert [(problem.line, problem.found) for problem in trace.problems] == [
        (0, "bytes that are not packed behind the packed data")
    ]


def test_an_encrypted_archive_is_said_to_be_encrypted() -> None:
    archive = bytearray(zipped(("a.log", LINE)))
    archive[6] |= 1  # general purpose flag, bit 0, here and in the list at the end (PKWARE APPNOTE 4.4.4)
    archive[archive.find(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(LogError, match="encrypted"):
        read_trace(io.BytesIO(bytes(archive)))


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"7z\xbc\xaf\x27\x1c", "7z"),
        (b"Rar!\x1a\x07\x00", "rar"),
        (b"\x28\xb5\x2f\xfd", "zstd"),
        (b"a.log".ljust(257, b"\x00") + b"ustar", "tar"),
    ],
)
def test_an_archive_of_another_kind_is_named(head: bytes, kind: str) -> None:
    for content in (head + bytes(300), gzip.compress(head + bytes(300))):
        with pytest.raises(LogError, match=f"packed as {kind}"):
            read_trace(io.BytesIO(content))


@pytest.mark.skipif(sys.platform != "linux", reason="memory is counted in KiB there")
def test_a_few_packed_bytes_that_stand_for_very_many_need_no_memory_for_all_of_them() -> None:
    blank = 1 << 28
    packer = bz2.BZ2Compressor()
    packed = packer.compress(LINE)
    for _ in range(blank >> 22):
        packed += packer.compress(bytes(1 << 22))
    packed += packer.flush()
    assert len(packed) < 1 << 12
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    trace = read_trace(io.BytesIO(packed))
    assert len(trace) == 1
    assert sum(problem.count for problem in trace.problems) == 1  # one line of a quarter of a gigabyte
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) << 10 < blank // 2
