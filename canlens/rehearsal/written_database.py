"""Written database: messages and their signals → the text of a DBC file."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Database, Message, SignalDefinition

EXTENDED_FLAG = 0x8000_0000
"""Set in the number of an extended identifier."""
NOBODY = "Vector__XXX"
"""What a DBC file calls a sender or receiver that is not known; part of the format."""


def database_text(database: Database) -> str:
    """Write a database of classical messages as a DBC file.

    Parameters
    ----------
    database
        Signals without multiplexing and without floats.

    Returns
    -------
    str
        Nodes, messages, signals, cycle times in the attribute ``GenMsgCycleTime`` [ms], and value tables.
    """
    return "\n".join([*_head(database), *_messages(database), *_attributes(database), *_tables(database), ""])


def _head(database: Database) -> list[str]:
    return ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(database.nodes)}", ""]


def _number(message: Message) -> int:
    return message.identifier | (EXTENDED_FLAG if message.is_extended else 0)


def _messages(database: Database) -> Iterator[str]:
    for message in database.messages:
        sender = message.senders[0] if message.senders else NOBODY
        yield f"BO_ {_number(message)} {message.name}: {message.length} {sender}"
        yield from (_signal(signal) for signal in message.signals)
        yield ""


def _signal(signal: SignalDefinition) -> str:
    order = 1 if signal.byte_order == "intel" else 0
    sign = "-" if signal.is_signed else "+"
    low, high = signal.minimum or 0, signal.maximum or 0
    return (
        f" SG_ {signal.name} : {signal.start_bit}|{signal.length}@{order}{sign} ({signal.scale},{signal.offset})"
        f' [{low:g}|{high:.12g}] "{signal.unit}" {NOBODY}'
    )


def _attributes(database: Database) -> Iterator[str]:
    yield 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    for message in database.messages:
        if message.cycle_time_s:
            yield f'BA_ "GenMsgCycleTime" BO_ {_number(message)} {round(message.cycle_time_s * 1000)};'


def _tables(database: Database) -> Iterator[str]:
    for message in database.messages:
        for signal in message.signals:
            if signal.table:
                entries = " ".join(f'{raw} "{text}"' for raw, text in signal.table.items())
                yield f"VAL_ {_number(message)} {signal.name} {entries} ;"
