"""SQLite and MF4 through python-can; both need the file itself, not a stream."""

from __future__ import annotations

import gc
import heapq
import logging
import math
import shutil
import tempfile
import warnings
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canlens.errors import LogError
from canlens.readers.messages import TROUBLE, MessageList, finish, guarded
from canlens.readers.reader import Reader
from canlens.trace import Problem, Trace

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from can import Message
    from can.io.mf4 import MF4Reader
    from can.io.sqlite import SqliteReader

    from canlens.readers.opening import Opened

SQLITE_MARK: Final = b"SQLite format 3\x00"
MF4_MARK: Final = (b"MDF     ", b"UnFinMF ")


def read_sqlite(opened: Opened) -> Trace:
    """Read the table ``messages`` of an SQLite database."""
    from can.io.sqlite import SqliteReader  # noqa: PLC0415 – 0.1 s that only readers of such files pay

    out = MessageList(channel_of=lambda _: "")
    with _on_disk(opened, ".db") as path:
        reader = SqliteReader(str(path))
        try:
            _take_all(out, _row_by_row(reader))
        finally:
            reader.stop()
    return finish(out, opened, "sqlite", can_hold_errors=True)


def _row_by_row(reader: SqliteReader) -> Iterator[Message | str]:
    """Yield the message of each row, or why there is none; python-can would end at the first row with damage."""
    foreign: Any = reader
    try:
        for row in foreign._cursor.execute(f"SELECT * FROM {reader.table_name}"):  # noqa: S608, SLF001 – its own name
            try:
                yield foreign._assemble_message(row)  # noqa: SLF001 – python-can has no way to go on
            except TROUBLE as error:
                yield str(error) or type(error).__name__
    except TROUBLE as error:
        yield str(error) or type(error).__name__


def read_mf4(opened: Opened) -> Trace:
    """Read the CAN events of an MF4 file."""
    if find_spec("asammdf") is None:
        raise LogError(opened.name, "is an MF4 file; reading it needs a further package: pip install 'canlens[mf4]'.")
    out = MessageList(channel_of=lambda channel: "" if channel is None else str(channel), has_classes=False)
    with _on_disk(opened, ".mf4") as path:
        with _quiet():
            reader = _mf4_reader(path)
        if isinstance(reader, str):
            raise LogError(
                opened.name, f"the MF4 file cannot be opened ({reader}): it is cut off or damaged. Copy it again."
            )
        try:
            with _quiet():
                _take_all(out, _merged(reader))
        finally:
            reader.stop()
    return finish(out, opened, "mf4", can_hold_errors=True)


def _mf4_trouble() -> tuple[type[Exception], ...]:
    """Return what asammdf raises of its own, and the faster unpacker that it takes where it is installed."""
    from asammdf.blocks.utils import MdfException  # noqa: PLC0415 – seconds that only readers of such files pay

    if find_spec("isal") is None:
        return (MdfException,)
    from isal import igzip_lib  # noqa: PLC0415 – as above

    foreign: Any = igzip_lib
    return MdfException, foreign.IsalError


def _mf4_reader(path: Path) -> MF4Reader | str:
    """Open an MF4 file, or say why that cannot be; an object of a damaged file would complain as it goes."""
    from asammdf.blocks.mdf_v4 import MDF4  # noqa: PLC0415 – seconds that only readers of such files pay
    from can.io.mf4 import MF4Reader  # noqa: PLC0415 – as above

    foreign: Any = MDF4
    farewell = foreign.__del__
    foreign.__del__ = lambda _: None
    with warnings.catch_warnings(action="ignore", category=ResourceWarning):  # asammdf leaves a damaged file open
        try:
            return MF4Reader(str(path))
        except TROUBLE + _mf4_trouble() as error:
            return str(error) or type(error).__name__
        finally:
            gc.collect()
            foreign.__del__ = farewell


def _merged(reader: MF4Reader) -> Iterator[Message | str]:
    """Yield the messages of all groups by time; python-can would end all of them where one is damaged."""
    foreign: Any = reader
    groups = [group.channel_group for group in foreign._mdf.groups]  # noqa: SLF001 – python-can has no way to ask
    flags = [group.flags for group in groups]
    trouble = _mf4_trouble()
    parts = []
    for at, own in enumerate(flags):
        for other, group in enumerate(groups):
            group.flags = own if other == at else 0  # no events of a bus: passed over
        parts.append(guarded(iter(reader), *trouble))
    for group, own in zip(groups, flags, strict=True):
        group.flags = own
    return heapq.merge(*parts, key=lambda part: math.inf if isinstance(part, str) else part.timestamp)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep asammdf from writing to the terminal what is told as a problem."""
    logger = logging.getLogger("asammdf")
    before = logger.disabled
    logger.disabled = True
    try:
        yield
    finally:
        logger.disabled = before


def _take_all(out: MessageList, messages: Iterable[Message | str]) -> None:
    for number, message in enumerate(messages, 1):
        wrong = message if isinstance(message, str) else out.add(message, number)
        if wrong:
            found = "a record that python-can cannot read" if isinstance(message, str) else "a record"
            out.problems.add(Problem(number, found, wrong))


@contextmanager
def _on_disk(opened: Opened, suffix: str) -> Iterator[Path]:
    """Give the plain bytes a path."""
    if opened.path is not None and opened.path.is_file():  # a pipe has a name but can be read only once
        yield opened.path
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"recording{suffix}"
        with path.open("wb") as file:
            shutil.copyfileobj(opened.stream, file)
        yield path


SQLITE: Final = Reader(
    "sqlite",
    lambda head: head.startswith(SQLITE_MARK),
    read_sqlite,
    keeps="frames, error frames without their class",
    cannot_hold="channel, direction, CAN FD flags",
)
MF4: Final = Reader(
    "mf4",
    lambda head: head.startswith(MF4_MARK),
    read_mf4,
    keeps="frames and error frames, with the extra mf4 installed",
    cannot_hold="what python-can does not hand on",
)
