"""J1939: messages found by their parameter group, whatever the source address and the priority."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from canlens.measures.identifiers import parameter_group
from canlens.plan.nouns import Condition, Control, Controller, Output, SignalReference
from canlens.signals import find_rows

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.database import Database, Message
    from canlens.plan import Plan
    from canlens.trace import Trace

ByGroup = dict[str, tuple[int, ...]]
"""Message -> the identifiers under which it was found."""


def matched_by_group(plan: Plan, trace: Trace) -> tuple[Plan, ByGroup]:
    """Give messages of the plan's databases the identifiers under which their parameter groups were recorded.

    Parameters
    ----------
    plan
        Returned as it is, unless its bus says ``match_pgn``.
    trace
        The recording.

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
