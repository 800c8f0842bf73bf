"""Packing: what gzip, xz, bzip2 and zip made small, as a stream; what is damaged keeps all before the damage."""

from __future__ import annotations

import bz2
import io
import lzma
import struct
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final, Protocol, cast

from canlens.errors import LogError
from canlens.trace import Problem

if TYPE_CHECKING:
    from collections.abc import Callable

STEP: Final = 1 << 18
"""Bytes that are asked for at once."""
LARGEST_STEP: Final = 1 << 20
"""Bytes that are unpacked at once, however many a few packed ones stand for."""
LOCAL_HEADER: Final = struct.Struct("<4sHHHHHLLLHH")
"""Of a member of a zip archive: mark, version, flags, method, time, date, check sum, two sizes, lengths of name and
extra field (PKWARE APPNOTE 4.3.7)."""
ENCRYPTED: Final = 1
PLAIN, DEFLATED = 0, 8
RAW_DEFLATE: Final = -15
LEFTOVERS: Final = ("thumbs.db", "desktop.ini")
DAMAGE: Final = (zlib.error, lzma.LZMAError, zipfile.BadZipFile, OSError, EOFError)


class Remade(io.RawIOBase):
    """A stream made anew from another, a step at a time; what is ready waits until it is asked for."""

    def __init__(self) -> None:
        self._ready = b""
        self._ended = False

    def readable(self) -> bool:
        """Tell that it can be read."""
        return True

    def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
        """Fill a buffer as far as there is anything; return the number of bytes, 0 at the end."""
        while not self._ready and not self._ended:
            self._more()
        count = min(len(buffer), len(self._ready))
        buffer[:count] = self._ready[:count]
        self._ready = self._ready[count:]
        return count

    def _more(self) -> None:
        """Make more of it ready, or tell that it has ended."""
        raise NotImplementedError


class _Unpacker(Protocol):
    """What bz2 and lzma have in common."""

    @property
    def eof(self) -> bool: ...
    @property
    def needs_input(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, max_length: int = -1) -> bytes: ...


class _Inflater:
    """Zlib in the manner of bz2 and lzma; where it fails, it hands out what came before the failure."""

    def __init__(self, window: int) -> None:
        self._inner = zlib.decompressobj(window)
        self._failure: zlib.error | None = None

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def needs_input(self) -> bool:
        return not self._inner.unconsumed_tail and self._failure is None

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int = -1) -> bytes:
        if self._failure is not None:
            raise self._failure
        data = self._inner.unconsumed_tail + data
        before = self._inner.copy()
        try:
            return self._inner.decompress(data, max(max_length, 0))
        except zlib.error as error:
            self._failure = error
        out = bytearray()
        try:
            for byte in data:
                out += before.decompress(bytes((byte,)))
        except zlib.error:
            pass
        return bytes(out)


PACKED: Final[tuple[tuple[bytes, str, Callable[[], _Unpacker]], ...]] = (
    (b"\x1f\x8b", "gzip", lambda: _Inflater(31)),
    (b"\xfd7zXZ\x00", "xz", lzma.LZMADecompressor),
    (b"]\x00\x00", "lzma", lzma.LZMADecompressor),
    (b"BZh", "bzip2", bz2.BZ2Decompressor),
)
ZIP: Final = (b"PK\x03\x04", b"PK\x05\x06")
FOREIGN: Final = (
    (0, b"7z\xbc\xaf\x27\x1c", "7z"),
    (0, b"Rar!\x1a\x07", "rar"),
    (0, b"\x28\xb5\x2f\xfd", "zstd"),
    (0, b"\x04\x22\x4d\x18", "lz4"),
    (0, b"\x1f\x9d", "compress"),
    (257, b"ustar", "tar"),
)


def unpacked(packed: io.BufferedIOBase, head: bytes, name: str, problems: list[Problem]) -> io.BufferedIOBase | None:
    """Return what a packed stream holds, ``None`` if it is not packed.

    Parameters
    ----------
    problems
        Grows while the result is read.

    Raises
    ------
    LogError
        An archive without exactly one file in it, an encrypted one, or one of a kind that cannot be unpacked.
    """
    if head.startswith(ZIP):
        return _member(packed.read(), name, problems)
    for magic, kind, make in PACKED:
        if head.startswith(magic):
            return io.BufferedReader(_Unpacked(packed, _Way(kind, make, magic), problems), STEP)
    for place, mark, kind in FOREIGN:
        if head[place:].startswith(mark):
            raise LogError(name, f"is packed as {kind}, which cannot be unpacked here. Unpack it first.")
    return None


@dataclass(frozen=True)
class _Way:
    """One way of packing.

    Attributes
    ----------
    magic
        The first bytes of each member; empty where there is only one.
    """

    kind: str
    make: Callable[[], _Unpacker]
    magic: bytes = b""


class _Unpacked(Remade):
    """The unpacked form of a packed stream; damage ends it and is noted."""

    def __init__(self, packed: io.BufferedIOBase, way: _Way, problems: list[Problem]) -> None:
        super().__init__()
        self._packed = packed
        self._way = way
        self._unpacker = way.make()
        self._problems = problems
        self._left = b""

    def _more(self) -> None:
        if self._unpacker.eof and not self._goes_on():
            self._ended = True
            return
        data = self._left
        if not data and self._unpacker.needs_input:
            data = self._packed.read(STEP)
        self._left = b""
        is_over = not data and self._unpacker.needs_input
        try:
            self._ready = self._unpacker.decompress(data, LARGEST_STEP)
        except DAMAGE as error:
            self._end(f"the packed data is damaged ({error})")
            return
        if is_over and not self._ready and not self._unpacker.eof:
            self._end("the packed data is cut off")

    def _goes_on(self) -> bool:
        """Tell whether another member follows the one that has ended, and begin it."""
        magic = self._way.magic
        if not magic:
            return False
        data = self._unpacker.unused_data.lstrip(b"\0")
        while len(data) < len(magic) and (more := self._packed.read(STEP)):
            data = (data + more).lstrip(b"\0")
        if data.startswith(magic):
            self._unpacker = self._way.make()
            self._left = data
            return True
        if data:
            self._problems.append(
                Problem(
                    0, "bytes that are not packed behind the packed data", f"nothing behind the {self._way.kind} data"
                )
            )
        return False

    def _end(self, found: str) -> None:
        self._ended = True
        self._problems.append(Problem(0, found, f"{self._way.kind} data that unpacks to its end"))


DEFLATE: Final = _Way("zip", lambda: _Inflater(RAW_DEFLATE))


class _Checked(Remade):
    """A member of an archive, held against its check sum."""

    def __init__(self, member: io.BufferedIOBase, check_sum: int, problems: list[Problem]) -> None:
        super().__init__()
        self._member = member
        self._due = check_sum
        self._sum = 0
        self._problems = problems
        self._before = len(problems)

    def _more(self) -> None:
        found = f"content that does not fit its check sum {self._due:08X}"
        try:
            self._ready = self._member.read(STEP)
        except DAMAGE as error:
            found = f"the packed data is damaged ({error})"
        self._sum = zlib.crc32(self._ready, self._sum)
        self._ended = not self._ready
        if self._ended and self._sum != self._due and len(self._problems) == self._before:
            self._problems.append(Problem(0, found, "zip data that unpacks to its end"))


def _member(data: bytes, name: str, problems: list[Problem]) -> io.BufferedIOBase:
    """Return the one file of a zip archive."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except zipfile.BadZipFile:
        return _first_member(data, name, problems)
    members = [member for member in archive.infolist() if not member.is_dir() and not _is_leftover(member.filename)]
    if len(members) != 1:
        names = ", ".join(member.filename for member in members[:5]) or "none"
        found = f"found {len(members)} files ({names})"
        raise LogError(name, f"expected an archive with one recording, {found}. Unpack it and name one file.")
    member = members[0]
    if member.flag_bits & ENCRYPTED:
        raise LogError(name, "the zip archive is encrypted. Unpack it with its password first.")
    try:
        if member.compress_type not in {PLAIN, DEFLATED}:
            stream = cast("io.BufferedIOBase", archive.open(member))
        else:
            body = _body(data, member.header_offset)[: member.compress_size]
            stream = _plain(body, member.compress_type, problems)
    except (*DAMAGE, NotImplementedError, struct.error) as error:
        raise LogError(name, f"the zip archive cannot be unpacked: {error}.") from error
    return io.BufferedReader(_Checked(stream, member.CRC, problems), STEP)


def _is_leftover(filename: str) -> bool:
    """Tell whether an operating system put a file beside the recording without being asked."""
    path = PurePosixPath(filename)
    return path.name.startswith(".") or path.parts[0] == "__MACOSX" or path.name.lower() in LEFTOVERS


def _body(data: bytes, start: int) -> bytes:
    """Return what follows the header of a member."""
    *_, name, extra = LOCAL_HEADER.unpack_from(data, start)
    return data[start + LOCAL_HEADER.size + name + extra :]


def _plain(body: bytes, method: int, problems: list[Problem]) -> io.BufferedIOBase:
    return io.BytesIO(body) if method == PLAIN else io.BufferedReader(_Unpacked(io.BytesIO(body), DEFLATE, problems))


def _first_member(data: bytes, name: str, problems: list[Problem]) -> io.BufferedIOBase:
    """Return what is there of the first file of an archive whose list, at its end, is missing."""
    why = "the list of files at its end is missing"
    if len(data) >= LOCAL_HEADER.size:
        _, _, flags, method, *_ = LOCAL_HEADER.unpack_from(data)
        filename = data[LOCAL_HEADER.size :][: LOCAL_HEADER.unpack_from(data)[-2]]
        is_file = filename and not filename.endswith(b"/") and not _is_leftover(filename.decode("utf-8", "replace"))
        if is_file and method == DEFLATED and not flags & ENCRYPTED:
            problems.append(Problem(0, f"the zip archive is cut off: {why}", "zip data that unpacks to its end"))
            return _plain(_body(data, 0), method, problems)
    raise LogError(name, f"the zip archive is cut off or damaged: {why}. Copy it again.")
