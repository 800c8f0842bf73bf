"""DBC text: messages that were found → a DBC file with what speaks for each signal as its comment."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.characters import fitted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Message, SignalDefinition
    from canlens.starting.found_bits import FoundBits

EXTENDED_FLAG = 0x8000_0000
"""Set in the number of an extended identifier (open description of the DBC format)."""
NOBODY = "Vector__XXX"
"""What a DBC file calls a sender or receiver that is not known; part of the format."""
FRAME_FORMATS = ("StandardCAN", "ExtendedCAN", *(f"reserved{number}" for number in range(2, 14)), "StandardCAN_FD",
                 "ExtendedCAN_FD")  # fmt: skip
"""Values of the attribute ``VFrameFormat``; 14 and 15 are CAN FD."""
FD_FORMAT = 14
LONGEST_CYCLE_MS = 65535


def found_dbc_text(found: FoundBits) -> str:
    """Write what was found as a DBC file.

    Returns
    -------
    str
        Messages with their size and their signals; as comments what speaks for each; measured cycle times in the
        attribute ``GenMsgCycleTime`` [ms]; tables of the values seen. ASCII only, which every program reads alike.
    """
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_:", ""]
    for message in found.messages:
        lines += [f"BO_ {_number(message)} {message.name}: {message.length} {NOBODY}"]
        lines += [*map(_signal, message.signals), ""]
    lines += [*_comments(found), *_attributes(found), *_tables(found), ""]
    return "\n".join(lines)


def _number(message: Message) -> int:
    return message.identifier | (EXTENDED_FLAG if message.is_extended else 0)


def _signal(signal: SignalDefinition) -> str:
    order = 1 if signal.byte_order == "intel" else 0
    sign = "-" if signal.is_signed else "+"
    low = 0 if signal.minimum is None else signal.minimum
    high = 0 if signal.maximum is None else signal.maximum
    unit = _quoted(signal.unit)
    return (
        f" SG_ {signal.name} : {signal.start_bit}|{signal.length}@{order}{sign} ({signal.scale},{signal.offset}) "
        f"[{low:.12g}|{high:.12g}] {unit} {NOBODY}"
    )


def _comments(found: FoundBits) -> Iterator[str]:
    for message in found.messages:
        if message.cycle_time_s:
            told = f"Measured in a recording: one about every {1000 * message.cycle_time_s:.4g} ms."
        else:
            told = "Seen in a recording, without a rhythm."
        yield f"CM_ BO_ {_number(message)} {_quoted(told)};"
        for signal in message.signals:
            comment = found.comments.get(f"{message.name}.{signal.name}")
            if comment:
                yield f"CM_ SG_ {_number(message)} {signal.name} {_quoted(comment)};"


def _attributes(found: FoundBits) -> Iterator[str]:
    yield f'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 {LONGEST_CYCLE_MS};'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    fast = [message for message in found.messages if message.is_fd]
    if fast:
        yield f'BA_DEF_ BO_ "VFrameFormat" ENUM {",".join(map(_quoted, FRAME_FORMATS))};'
        yield f'BA_DEF_DEF_ "VFrameFormat" {_quoted(FRAME_FORMATS[0])};'
    for message in found.messages:
        if message.cycle_time_s:
            cycle_ms = min(max(round(1000 * message.cycle_time_s), 1), LONGEST_CYCLE_MS)
            yield f'BA_ "GenMsgCycleTime" BO_ {_number(message)} {cycle_ms};'
    for message in fast:
        yield f'BA_ "VFrameFormat" BO_ {_number(message)} {FD_FORMAT + message.is_extended};'


def _tables(found: FoundBits) -> Iterator[str]:
    for message in found.messages:
        for signal in message.signals:
            if signal.table:
                entries = " ".join(f"{raw} {_quoted(text)}" for raw, text in signal.table.items())
                yield f"VAL_ {_number(message)} {signal.name} {entries} ;"


def _quoted(text: str) -> str:
    """Return a text as a DBC quotes it; a backslash or quote inside would not be read alike everywhere."""
    plain = fitted(" ".join(text.split()), "ascii").replace("\\", "/").replace('"', "'")
    return f'"{plain}"'
