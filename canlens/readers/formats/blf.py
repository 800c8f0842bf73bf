"""BLF: the containers of the file are opened here, their objects are read by python-can.

Left alone, python-can passes over a file that was cut off in the middle, over kinds of objects that it does not
know, and it never ends where an object claims to have no length. So objects are taken out of their containers and
counted here, and only whole ones are handed on.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canlens.readers.engine.foreign_messages import MessageList, finish, guarded
from canlens.readers.opening import Reader
from canlens.trace import Problem, Remark, Trace

if TYPE_CHECKING:
    from collections.abc import Iterator

    from can import Message

    from canlens.readers.opening import Opened

FILE_MARK: Final = b"LOGG"
MARK: Final = b"LOBJ"
FILE_HEADER: Final = struct.Struct("<4sL")
FILE_HEADER_SIZE: Final = 144
OBJECT_HEADER: Final = struct.Struct("<4sHHLL")
CONTAINER: Final = struct.Struct("<H6xL4x")
CONTAINER_KIND: Final = 10
PLAIN, DEFLATED = 0, 2
LARGEST_CONTAINER: Final = 1 << 27
KNOWN: Final = {1: "message", 73: "error frame", 86: "message", 100: "CAN FD message", 101: "CAN FD message"}
"""Kinds of objects that hold a frame and that python-can reads."""
UNREAD: Final = {2: "error frame", 4: "overload frame", 104: "CAN FD error frame"}
"""Kinds of objects that tell of the bus and that python-can passes over."""
SMALLEST: Final = 32
LARGEST_OBJECT: Final = 1 << 20
"""Sizes of an object [bytes]: its two headers at least; more than the largest event is damage."""
PADDING: Final = 8
BATCH: Final = 4096


@dataclass
class _Objects:
    """The objects of a file, one by one, and what was wrong with them."""

    stream: io.BufferedIOBase
    passed_over: Counter[int] = field(default_factory=Counter)
    problems: list[Problem] = field(default_factory=list)
    number: int = 0

    def __iter__(self) -> Iterator[tuple[int, bytes]]:
        """Yield number and bytes of each object that holds a frame."""
        data = b""
        for content in self._containers():
            data += content
            at = 0
            while (start := self._next(data, at)) >= 0:
                size, kind = OBJECT_HEADER.unpack_from(data, start)[3:]
                at = start + size
                self.number += 1
                if kind in KNOWN:
                    yield self.number, data[start:at]
                else:
                    self.passed_over[kind] += 1
            data = data[at:]
        if data.strip(b"\0"):
            self._problem("an object that is cut off")

    def _next(self, data: bytes, at: int) -> int:
        """Find the next whole object, -1 if there is none yet."""
        start = data.find(MARK, at)
        if start > at + PADDING:
            self._problem(f"{start - at} bytes between two objects")
        while 0 <= start <= len(data) - OBJECT_HEADER.size:
            _, header, version, size, _ = OBJECT_HEADER.unpack_from(data, start)
            if version in {1, 2} and SMALLEST <= header <= size <= LARGEST_OBJECT:
                return start if start + size <= len(data) else -1
            self._problem(f"an object of {size} bytes in version {version}")
            start = data.find(MARK, start + 1)
        return -1

    def _containers(self) -> Iterator[bytes]:
        """Yield the unpacked content of each container."""
        while header := self.stream.read(OBJECT_HEADER.size):
            if len(header) < OBJECT_HEADER.size:
                self._problem("the file ends inside a container")
                return
            mark, _, _, size, kind = OBJECT_HEADER.unpack(header)
            if mark != MARK or size < OBJECT_HEADER.size:
                self._problem(f"a container with a header that cannot be ({mark!r})")
                return
            body = self.stream.read(size - OBJECT_HEADER.size)
            cut_off = len(body) < size - OBJECT_HEADER.size
            self.stream.read(size % 4)
            if kind == CONTAINER_KIND:
                yield self._unpacked(body)
            else:
                yield header + body + bytes(size % 4)
            if cut_off:
                self._problem("the file ends inside a container")
                return

    def _unpacked(self, body: bytes) -> bytes:
        if len(body) < CONTAINER.size:
            return b""
        method, _ = CONTAINER.unpack_from(body)
        packed = body[CONTAINER.size :]
        if method == PLAIN:
            return packed
        if method != DEFLATED:
            self._problem(f"a container packed by method {method}")
            return b""
        unpacker = zlib.decompressobj()
        out = bytearray()
        try:
            while packed and len(out) < LARGEST_CONTAINER:
                out += unpacker.decompress(packed, LARGEST_CONTAINER)
                packed = unpacker.unconsumed_tail
        except zlib.error as error:
            self._problem(f"a damaged container ({error})")
        else:
            if not unpacker.eof:
                self._problem("a container that is cut off")
        return bytes(out)

    def _problem(self, found: str) -> None:
        self.problems.append(Problem(self.number + 1, found, "whole objects up to the end of the file"))


def read(opened: Opened) -> Trace:
    """Read a BLF file as far as it goes."""
    out = MessageList(
        channel_of=lambda channel: str(channel + 1) if isinstance(channel, int) else "", has_classes=False
    )
    head = opened.stream.read(FILE_HEADER_SIZE)
    if len(head) < FILE_HEADER_SIZE:
        out.problems.add(Problem(0, f"{len(head)} bytes", f"a file header of {FILE_HEADER_SIZE} bytes"))
        return finish(out, opened, "blf", can_hold_errors=True)
    opened.stream.read(max(FILE_HEADER.unpack_from(head)[1] - FILE_HEADER_SIZE, 0))
    objects = _Objects(opened.stream)
    batch: list[tuple[int, bytes]] = []
    for numbered in objects:
        batch.append(numbered)
        if len(batch) == BATCH:
            _read_batch(out, head, batch)
            batch = []
    _read_batch(out, head, batch)
    for problem in objects.problems:
        out.problems.add(problem)
    for kind, count in sorted(objects.passed_over.items()):
        if kind in UNREAD:
            found = f"{count} objects of kind {kind} ({UNREAD[kind]})"
            out.problems.add(Problem(0, found, "kinds of objects that can be read", count))
        else:
            out.remarks.add([Remark(0, f"{count} objects of kind {kind} that hold no frame")])
    return finish(out, opened, "blf", can_hold_errors=True)


def _read_batch(out: MessageList, head: bytes, batch: list[tuple[int, bytes]]) -> None:
    """Let python-can read some objects; where it fails, it is asked again behind the object at fault."""
    while batch:
        taken = 0
        for message, (number, data) in zip(_messages(head, batch), batch, strict=False):
            taken += 1
            wrong = message if isinstance(message, str) else out.add(message, number)
            if wrong:
                expected = wrong if not isinstance(message, str) else "an object that can be read"
                out.problems.add(Problem(number, f"object of {len(data)} bytes", expected))
        if not taken:
            number, data = batch[0]
            out.problems.add(Problem(number, f"object of {len(data)} bytes", "an object that can be read"))
        batch = batch[max(taken, 1) :]


def _messages(head: bytes, batch: list[tuple[int, bytes]]) -> Iterator[Message | str]:
    """Put objects into one plain container behind the file's own header and let python-can read them."""
    from can.io.blf import BLFParseError, BLFReader  # noqa: PLC0415 – 0.1 s that only readers of such files pay

    content = b"".join(data for _, data in batch)
    size = OBJECT_HEADER.size + CONTAINER.size + len(content)
    container = OBJECT_HEADER.pack(MARK, OBJECT_HEADER.size, 1, size, CONTAINER_KIND) + CONTAINER.pack(
        PLAIN, len(content)
    )
    plain_head = head[:4] + struct.pack("<L", FILE_HEADER_SIZE) + head[8:]
    file = io.BytesIO(plain_head + container + content)
    try:
        yield from guarded(BLFReader(file))
    except (BLFParseError, ValueError, struct.error, OverflowError) as error:
        yield str(error) or "unreadable"


def recognises(head: bytes) -> bool:
    """Tell whether the file starts with the mark of a BLF file."""
    return head.startswith(FILE_MARK)


READER: Final = Reader(
    "blf",
    recognises,
    read,
    keeps="frames and error frames of every container that is whole; other objects are counted",
    cannot_hold="the error class of a CAN error frame as SocketCAN names it",
)
