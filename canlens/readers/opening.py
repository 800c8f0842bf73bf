"""Opening: a path, a stream or standard input as one stream of plain bytes, hashed, unpacked and decoded."""

from __future__ import annotations

import codecs
import hashlib
import io
import re
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final, Self

from canlens.errors import LogError
from canlens.readers.packing import STEP, Remade, unpacked

if TYPE_CHECKING:
    from canlens.trace import Problem, Trace

HEAD: Final = 4096
"""Bytes by which a format is recognised."""
LONGEST_LINE: Final = 8192
"""Bytes of the longest line that any format writes, with room; a longer one is damage."""
LAYERS: Final = 3
"""Times that a recording may have been packed."""
STANDARD_INPUT: Final = "-"

ONE_LINE: Final = re.compile(rb"[\t\x20-\x7E\x80-\xFF]+\r[\t\r\x20-\x7E\x80-\xFF]+")
"""Text with carriage returns but no line feed."""

COLOURS: Final = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")
"""ECMA-48 control sequences."""
BLANKS: Final = re.compile(rb"\xc2\xa0|\xe2\x80\xaf|\xa0")
NOTHING: Final = re.compile(rb"\xe2\x80\x8b|\xef\xbb\xbf")
QUOTED: Final = re.compile(rb'^[^\S\n]*"([^"\n]*)"[^\S\n]*$', re.MULTILINE)
CITED: Final = re.compile(rb"^[^\S\n]*(?:>[^\S\n]?)+", re.MULTILINE)
BEFORE_STAMP: Final = re.compile(
    rb"^[^\n(]{1,200}?(?=\([0-9]+[.,][0-9]+\)[^\S\n]+\S+[^\S\n]+[0-9A-Fa-f]{3,8}[#\s])", re.MULTILINE
)
SAID: Final = "// colours, quotation marks or words around the lines were left out"

Source = str | Path | BinaryIO
Progress = Callable[[int, int | None], None]
"""Is told now and then how many bytes of the file have been read, and of how many; ``None``: that is not known."""


ENCODED: Final = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@dataclass
class Opened:
    """A recording, open; a file that was opened here is closed with it, a stream that was given is not.

    Attributes
    ----------
    stream
        Its bytes, unpacked and decoded, from the first one on.
    head
        The first bytes of the stream, which is still at its start.
    path
        Where the very bytes of ``stream`` lie on disk, if they do.
    problems
        What was wrong with the packing; grows while the stream is read.
    """

    name: str
    stream: io.BufferedIOBase
    head: bytes
    raw: _Hashed
    path: Path | None = None
    problems: list[Problem] = field(default_factory=list)
    owned: ExitStack = field(default_factory=ExitStack)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.owned.close()

    def sha256(self) -> str:
        """Return the hash of the bytes on disk, reading what nobody has read yet."""
        return self.raw.digest()

    def share_read(self) -> float | None:
        """Return which share of the bytes on disk has been read; None where nobody knows how many there are."""
        return self.raw.share


@dataclass(frozen=True)
class Reader:
    """One format.

    Attributes
    ----------
    recognises
        Tells from the first bytes whether a file has this format; never tries to read it.
    keeps, cannot_hold
        What is kept of such a file, and what the format has no place for, as phrases for the table of formats.
    """

    name: str
    recognises: Callable[[bytes], bool]
    read: Callable[[Opened], Trace]
    keeps: str
    cannot_hold: str


class _Hashed(io.RawIOBase):
    """A stream that keeps the hash of all that was read from it."""

    def __init__(self, stream: BinaryIO, progress: Progress | None, total: int | None) -> None:
        self._stream = stream
        self._hash = hashlib.sha256()
        self._progress = progress
        self._total = total
        self._done = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
        if hasattr(self._stream, "readinto"):
            count = self._stream.readinto(buffer) or 0
        else:
            data = self._stream.read(len(buffer))
            count = len(data)
            buffer[:count] = data
        self._hash.update(buffer[:count])
        self._done += count
        if self._progress is not None:
            self._progress(self._done, self._total)
        return count

    @property
    def share(self) -> float | None:
        return min(self._done / self._total, 1.0) if self._total else None

    def digest(self) -> str:
        while self.read(STEP):
            pass
        return self._hash.hexdigest()


class _Decoded(Remade):
    """Encoded text as UTF-8."""

    def __init__(self, encoded: io.BufferedIOBase, encoding: str) -> None:
        super().__init__()
        self._encoded = encoded
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")

    def _more(self) -> None:
        data = self._encoded.read(STEP)
        self._ended = not data
        self._ready = self._decoder.decode(data, final=self._ended).encode("utf-8", "replace")


class _Rewritten(Remade):
    """Text whose lines are rewritten, as many as come at once."""

    def __init__(self, text: io.BufferedIOBase, rewrite: Callable[[bytes], bytes]) -> None:
        super().__init__()
        self._text = text
        self._rewrite = rewrite

    def _more(self) -> None:
        text = self._text.read(STEP)
        self._ended = not text
        self._ready = self._rewrite(text + self._text.readline(LONGEST_LINE))


def rewritten(text: io.BufferedIOBase, rewrite: Callable[[bytes], bytes]) -> io.BufferedIOBase:
    """Return a stream in which whole lines are rewritten; ``rewrite`` is given many at once."""
    return io.BufferedReader(_Rewritten(text, rewrite), STEP)


def open_source(source: Source, progress: Progress | None = None) -> Opened:
    """Open a recording.

    Raises
    ------
    LogError
        The file cannot be opened, or is an archive without exactly one file in it.
    """
    name, stream, path = _stream_of(source)
    with ExitStack() as owned:
        if path is not None:
            owned.callback(stream.close)
        opened = _unpacked(name, stream, path, progress)
        opened.owned = owned.pop_all()
    return opened


def _unpacked(name: str, stream: BinaryIO, path: Path | None, progress: Progress | None) -> Opened:
    """Take off the packing and the encoding."""
    raw = _Hashed(stream, progress, path.stat().st_size if path is not None and path.is_file() else None)
    problems: list[Problem] = []
    plain: io.BufferedIOBase = io.BufferedReader(raw, STEP)
    head = _peek(plain, name)
    for _ in range(LAYERS):
        inner = unpacked(plain, head, name, problems)
        if inner is None:
            break
        plain, path = inner, None
        head = _peek(plain, name)
    encoding = _encoding_of(head)
    if encoding:
        plain, path = io.BufferedReader(_Decoded(plain, encoding), STEP), None
        head = _peek(plain, name)
    if ONE_LINE.fullmatch(head):
        plain, path = rewritten(plain, lambda text: text.replace(b"\r", b"\n")), None
        head = _peek(plain, name)
    return Opened(name, plain, head, raw, path, problems)


def _stream_of(source: Source) -> tuple[str, BinaryIO, Path | None]:
    if not isinstance(source, str | Path):
        return str(getattr(source, "name", "")), source, None
    if str(source) == STANDARD_INPUT:
        if not hasattr(sys.stdin, "buffer"):  # a program without a terminal may have none
            raise LogError(STANDARD_INPUT, "standard input is closed. Name a file, or lead a recording into it.")
        return STANDARD_INPUT, sys.stdin.buffer, None
    path = Path(source)
    try:
        return str(source), path.open("rb", buffering=0), path
    except OSError as error:
        raise LogError(
            str(source), f"cannot be opened: {error.strerror or error}. Check the name and the rights."
        ) from error
    except ValueError as error:  # a NUL in the name
        raise LogError(str(source), f"is no name of a file: {error}.") from error


def _peek(stream: io.BufferedIOBase, name: str) -> bytes:
    """Return the first bytes without taking them from the stream."""
    try:
        peeked: bytes = stream.peek(HEAD)[:HEAD]  # type: ignore[attr-defined]
    except OSError as error:
        raise LogError(name, f"cannot be read: {error.strerror or error}.") from error
    return peeked


def _encoding_of(head: bytes) -> str:
    """Tell how text is encoded, if it is other than bytes of one character each."""
    for mark, encoding in ENCODED:
        if head.startswith(mark):
            return encoding
    sample = head[: len(head) // 2 * 2]
    if len(sample) >= 64:  # noqa: PLR2004 – enough text to be sure of the pattern
        if not any(sample[1::2]) and all(sample[::2]):
            return "utf-16-le"
        if not any(sample[::2]) and all(sample[1::2]):
            return "utf-16-be"
    return ""


def undressed(opened: Opened) -> Opened:
    """Return a log without what stands around its lines; the numbers of the lines stay."""
    return replace(opened, stream=rewritten(opened.stream, _bare), head=_bare(opened.head), path=None)


def _bare(text: bytes) -> bytes:
    text = NOTHING.sub(b"", BLANKS.sub(b" ", COLOURS.sub(b"", text)))
    return BEFORE_STAMP.sub(b"", QUOTED.sub(rb"\1", CITED.sub(b"", text)))
