"""A Database as plain JSON and back; whatever is not exactly of this form is refused."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from canlens.database.nouns import Database, DatabaseProblem, Message, SignalDefinition

if TYPE_CHECKING:
    from collections.abc import Sequence

FLOAT_LENGTHS = frozenset({16, 32, 64})
MOST_EXTENDED = (1 << 29) - 1
MOST_BITS = 1 << 16
"""Greatest start bit and length [bits] that the DBC reader lets through."""


class NotThisFormError(ValueError):
    """A text that is no database in this form."""


def to_text(database: Database) -> str:
    """Write the database of one file; the file's name is left out."""
    return json.dumps(
        {
            "messages": [_message_row(message) for message in database.messages],
            "nodes": list(database.nodes),
            "problems": [_problem_row(problem) for problem in database.problems],
        },
        separators=(",", ":"),
    )


def from_text(text: str | bytes, *, file: str) -> Database:
    """Read what :func:`to_text` wrote.

    Parameters
    ----------
    text
        As written; it may come from anybody.
    file
        The database file, as the user named it.

    Raises
    ------
    NotThisFormError
        The text is anything else.
    """
    try:
        content = json.loads(text)
        return Database(
            tuple(_message(row) for row in _list(content["messages"])),
            _texts(content["nodes"]),
            tuple(_problem(row, file) for row in _list(content["problems"])),
            (file,),
        )
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise NotThisFormError(str(error)) from error


def _message_row(message: Message) -> list[Any]:
    return [
        message.name,
        message.identifier,
        message.is_extended,
        message.length,
        list(message.senders),
        message.cycle_time_s,
        message.is_fd,
        message.line,
        [_signal_row(signal) for signal in message.signals],
    ]


def _signal_row(signal: SignalDefinition) -> list[Any]:
    return [
        signal.name,
        signal.start_bit,
        signal.length,
        signal.byte_order,
        signal.is_signed,
        signal.is_float,
        signal.scale,
        signal.offset,
        signal.minimum,
        signal.maximum,
        signal.unit,
        list(signal.table.items()),
        signal.multiplexer,
        signal.pages,
        signal.is_multiplexer,
        signal.line,
    ]


def _problem_row(problem: DatabaseProblem) -> list[Any]:
    return [
        problem.line,
        problem.found,
        problem.expected,
        problem.count,
        problem.done,
        problem.mend,
        problem.message,
    ]


def _message(row: object) -> Message:
    name, identifier, is_extended, length, senders, cycle_time_s, is_fd, line, signals = _list(row)
    message = Message(
        name=_text(name),
        identifier=_whole(identifier, 0, MOST_EXTENDED),
        is_extended=_bool(is_extended),
        length=_whole(length, 0, MOST_BITS),
        senders=_texts(senders),
        cycle_time_s=None if cycle_time_s is None else _number(cycle_time_s),
        signals=tuple(_signal(signal) for signal in _list(signals)),
        is_fd=_bool(is_fd),
        line=_whole(line),
    )
    if len({signal.name for signal in message.signals}) < len(message.signals):
        raise NotThisFormError("two signals of one name")
    return message


def _signal(row: object) -> SignalDefinition:
    (name, start, length, byte_order, is_signed, is_float, scale, offset, minimum, maximum, *rest) = _list(row)
    unit, table, multiplexer, pages, is_multiplexer, line = rest
    if byte_order not in ("intel", "motorola") or (is_float and length not in FLOAT_LENGTHS):
        raise NotThisFormError("a layout that is none")
    return SignalDefinition(
        name=_text(name),
        start_bit=_whole(start, 0, MOST_BITS),
        length=_whole(length, 1, MOST_BITS),
        byte_order=byte_order,
        is_signed=_bool(is_signed),
        is_float=_bool(is_float),
        scale=_number(scale),
        offset=_number(offset),
        minimum=None if minimum is None else _number(minimum),
        maximum=None if maximum is None else _number(maximum),
        unit=_text(unit),
        table={_whole(value, None): _text(text) for value, text in _list(table)},
        multiplexer=None if multiplexer is None else _text(multiplexer),
        pages=tuple((_whole(low, None), _whole(high, None)) for low, high in _list(pages)),
        is_multiplexer=_bool(is_multiplexer),
        line=_whole(line),
    )


def _problem(row: object, file: str) -> DatabaseProblem:
    line, found, expected, count, done, mend, message = _list(row)
    return DatabaseProblem(
        _whole(line),
        _text(found),
        _text(expected),
        _whole(count, 1),
        file=file,
        done=_text(done),
        mend=_text(mend),
        message=_text(message),
    )


def _list(value: object) -> Sequence[Any]:
    if not isinstance(value, list):
        raise NotThisFormError("expected a list")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise NotThisFormError("expected a text")
    return value


def _texts(value: object) -> tuple[str, ...]:
    return tuple(_text(one) for one in _list(value))


def _bool(value: object) -> bool:
    if not isinstance(value, bool):
        raise NotThisFormError("expected true or false")
    return value


def _whole(value: object, least: int | None = 0, most: int | None = None) -> int:
    if type(value) is not int or (least is not None and value < least) or (most is not None and value > most):
        raise NotThisFormError("expected a whole number in its range")
    return value


def _number(value: object) -> float | int:
    if type(value) not in (int, float) or not isinstance(value, int | float) or math.isnan(value):
        raise NotThisFormError("expected a number")
    return value
