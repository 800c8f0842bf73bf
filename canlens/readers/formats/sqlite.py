"""SQLite: the table ``messages`` of a database, through python-can."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from canlens.readers.engine.foreign_messages import TROUBLE, MessageList, finish, on_disk, take_all
from canlens.readers.opening import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from can import Message
    from can.io.sqlite import SqliteReader

    from canlens.readers.opening import Opened
    from canlens.trace import Trace

MARK: Final = b"SQLite format 3\x00"


def read(opened: Opened) -> Trace:
    """Read the table ``messages`` of an SQLite database."""
    from can.io.sqlite import SqliteReader  # noqa: PLC0415 – 0.1 s that only readers of such files pay

    out = MessageList(channel_of=lambda _: "")
    with on_disk(opened, ".db") as path:
        reader = SqliteReader(str(path))
        try:
            take_all(out, _row_by_row(reader))
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


READER: Final = Reader(
    "sqlite",
    lambda head: head.startswith(MARK),
    read,
    keeps="frames, error frames without their class",
    cannot_hold="channel, direction, CAN FD flags",
)
