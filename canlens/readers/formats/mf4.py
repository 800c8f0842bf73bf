"""MF4: the CAN events of a measurement, through python-can and the extra ``mf4``."""

from __future__ import annotations

import gc
import heapq
import logging
import math
import warnings
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, Final

from canlens.errors import LogError
from canlens.readers.engine.foreign_messages import TROUBLE, MessageList, finish, guarded, on_disk, take_all
from canlens.readers.opening import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from can import Message
    from can.io.mf4 import MF4Reader

    from canlens.readers.opening import Opened
    from canlens.trace import Trace

MARK: Final = (b"MDF     ", b"UnFinMF ")


def read(opened: Opened) -> Trace:
    """Read the CAN events of an MF4 file."""
    if find_spec("asammdf") is None:
        raise LogError(opened.name, "is an MF4 file; reading it needs a further package: pip install 'canlens[mf4]'.")
    out = MessageList(channel_of=lambda channel: "" if channel is None else str(channel), has_classes=False)
    with on_disk(opened, ".mf4") as path:
        with _quiet():
            reader = _mf4_reader(path)
        if isinstance(reader, str):
            raise LogError(
                opened.name, f"the MF4 file cannot be opened ({reader}): it is cut off or damaged. Copy it again."
            )
        try:
            with _quiet():
                take_all(out, _merged(reader))
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


READER: Final = Reader(
    "mf4",
    lambda head: head.startswith(MARK),
    read,
    keeps="frames and error frames, with the extra mf4 installed",
    cannot_hold="what python-can does not hand on",
)
