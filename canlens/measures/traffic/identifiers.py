"""Identifiers: J1939 parameter groups, and identifiers that differ by a slip of the pen."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from canlens.nouns.definitions import Near
from canlens.plan.nouns import Condition, Control, Controller, Output, SignalReference
from canlens.signals import find_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from canlens.database import Database, Message
    from canlens.nouns.definitions import NearKind
    from canlens.plan import Plan
    from canlens.signals.lookup import Key
    from canlens.trace import Trace


FIRST_BROADCAST = 240
"""From this PDU format on, the byte before the source address belongs to the group (Regulation (EU) 2016/799,
Annex I C, Appendix 8, and SAE J1939-21); below it is the destination address."""


def parameter_group(identifier: int) -> int:
    """Return the J1939 parameter group number of a 29-bit identifier.

    References
    ----------
    Regulation (EU) 2016/799, Annex I C, Appendix 8 (an open text on the identifier's fields), and SAE J1939-21.

    Examples
    --------
    >>> hex(parameter_group(0x0CF00400)), hex(parameter_group(0x18EA_21F9))
    ('0xf004', '0xea00')
    """
    number = identifier >> 8 & 0x3FFFF
    return number if (identifier >> 16 & 0xFF) >= FIRST_BROADCAST else number & 0x3FF00


# J1939: messages found by their parameter group, whatever the source address and the priority.


ByGroup = dict[str, tuple[int, ...]]
"""Message -> the identifiers under which it was found."""


def matched_by_group(plan: Plan, trace: Trace) -> tuple[Plan, ByGroup]:
    """Give messages of the plan's databases the identifiers under which their parameter groups were recorded.

    Parameters
    ----------
    plan
        Returned as it is, unless its bus says ``match_pgn``.

    Returns
    -------
    tuple
        The plan, with its database and all its references moved; and what was moved. A message that was recorded
        under its own identifier stays. Of several senders of one group the busiest bears the name first; the others
        are decoded beside it, under the same name.
    """
    if not plan.bus.match_pgn:
        return plan, {}
    database, moved, found = _moved_database(plan.database, trace)
    if not moved:
        return plan, {}
    return replace(
        plan,
        database=database,
        controls={name: _moved(each, moved) for name, each in plan.controls.items()},
        outputs={name: _moved(each, moved) for name, each in plan.outputs.items()},
        controller=_moved(plan.controller, moved),
    ), found


def _moved_database(database: Database, trace: Trace) -> tuple[Database, dict[int, Message], ByGroup]:
    recorded = {identifier for identifier, is_extended in trace.streams.data_identifiers() if is_extended}
    own = {message.identifier for message in database.messages if message.is_extended}
    rows = find_rows(trace, [(identifier, True) for identifier in recorded - own])
    groups: defaultdict[int, list[int]] = defaultdict(list)
    for identifier, _ in sorted(rows, key=lambda key: (-len(rows[key]), key)):
        groups[parameter_group(identifier)].append(identifier)
    messages: list[Message] = []
    moved: dict[int, Message] = {}
    found: ByGroup = {}
    for message in database.messages:
        is_free = message.is_extended and message.identifier not in recorded
        identifiers = groups.pop(parameter_group(message.identifier), []) if is_free else []
        copies = [replace(message, identifier=identifier) for identifier in identifiers]
        messages += copies or [message]
        if copies:
            moved[id(message)] = copies[0]
            found[message.name] = tuple(identifiers)
    return replace(database, messages=tuple(messages)), moved, found


def _moved(value: Any, moved: Mapping[int, Message]) -> Any:
    """Return a part of a plan with its references moved to the messages that were found."""
    if isinstance(value, SignalReference):
        message = moved.get(id(value.message))
        return replace(value, message=message) if message else value
    if isinstance(value, Control | Output | Controller | Condition):
        return replace(value, **{each.name: _moved(getattr(value, each.name), moved) for each in fields(value)})
    return value


# Near misses: identifiers of the recording and of the databases that differ by a slip of the pen.


SOURCE_ADDRESS = 0xFF
MOST_BASE = 0x7FF
BASE_DIGITS, EXTENDED_DIGITS = 3, 8
"""Hexadecimal digits of an identifier of 11 and of 29 bits."""


def near_misses(own: Iterable[Key], others: Mapping[Key, int]) -> dict[Key, tuple[NearKind, Key]]:
    """Find for identifiers of one side the nearly equal one of the other side.

    Parameters
    ----------
    own
        Identifiers of one side that stand nowhere on the other.
    others
        The same of the other side, with their payload length [bytes].

    Returns
    -------
    dict
        Own identifier -> how the other one differs, and the other one. The surest kind counts; one digit apart counts
        only where a single identifier is, since neighbours in number are common.
    """
    by_source: defaultdict[int, list[Key]] = defaultdict(list)
    for identifier, is_extended in others:
        if is_extended:
            by_source[identifier & ~SOURCE_ADDRESS].append((identifier, True))
    found: dict[Key, tuple[NearKind, Key]] = {}
    for key in own:
        near = _near(key, others, by_source)
        if near is not None:
            found[key] = near
    return found


def _near(key: Key, others: Mapping[Key, int], by_source: Mapping[int, list[Key]]) -> tuple[NearKind, Key] | None:
    identifier, is_extended = key
    if (identifier, not is_extended) in others:
        return "format", (identifier, not is_extended)
    if is_extended and (sources := by_source.get(identifier & ~SOURCE_ADDRESS)):
        return "source-address", sources[0]
    for other in _misread(identifier):
        if (other, is_extended) in others:
            return "hexadecimal", (other, is_extended)
    digits = sorted({(other, is_extended) for other in _slips(identifier, is_extended=is_extended)} & set(others))
    return ("digit", digits[0]) if len(digits) == 1 else None


def _misread(identifier: int) -> Iterator[int]:
    """Return what a number becomes that was written as decimal though hexadecimal, and the other way round."""
    yield int(str(identifier), 16)
    if (digits := f"{identifier:x}").isdecimal():
        yield int(digits)


def _slips(identifier: int, *, is_extended: bool) -> Iterator[int]:
    """Return the numbers with one other hexadecimal digit, or with two neighbouring digits exchanged."""
    count = EXTENDED_DIGITS if is_extended else BASE_DIGITS
    for place in range(count):
        digit = identifier >> 4 * place & 0xF
        for other in range(16):
            if other != digit:
                yield identifier ^ (digit ^ other) << 4 * place
        if place + 1 < count:
            both = digit ^ (identifier >> 4 * (place + 1) & 0xF)
            if both:
                yield identifier ^ both << 4 * place ^ both << 4 * (place + 1)


def with_same_length(
    found: Mapping[Key, tuple[NearKind, Key]], own: Mapping[Key, int], others: Mapping[Key, int]
) -> dict[Key, tuple[NearKind, Key]]:
    """Keep slips of a digit only where both sides have the same payload length [bytes]."""
    return {
        key: (kind, other)
        for key, (kind, other) in found.items()
        if kind not in {"digit", "hexadecimal"} or own[key] == others[other]
    }


def near(kind: NearKind, key: Key, *, name: str = "", frames: int = 0) -> Near:
    """Return a near miss as evidence."""
    return Near(kind, key[0], key[1], name, frames)
