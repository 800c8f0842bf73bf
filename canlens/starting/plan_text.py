"""Plan text: what was found, or a bare database → a plan that can be read, and that tells how to go on."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from canlens.plan.rule import KEYWORDS
from canlens.reports.characters import visible
from canlens.starting.found_bits import unique

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.database import Database, Message, SignalDefinition
    from canlens.starting.found_bits import FoundBits, FoundControl

MOST_BITS = 2
"""A signal of so few bits is taken for a switch; a larger one only if it has a table of few values."""
MOST_VALUES = 8
OUTPUT = (
    "# What the controller switches. Take away the # and fill in one such table for each output.",
    "# [outputs.name]",
    '# load = "what hangs on it"',
    '# command = "MESSAGE.SIGNAL"     # the signal that shows the output; leave it away if nothing on the bus does,',
    "#                                # then note what you see in a table for --observed",
    '# when = "{when}"',
    "# within_s = 0.3                 # an answer is due within this time, on and off alike",
)


def found_plan_text(found: FoundBits, *, databases: Sequence[str], channel: str | None, title: str) -> str:
    """Write a plan that uses the bits that were found.

    Parameters
    ----------
    found
        What was named.
    databases
        Paths, relative to the plan.
    channel
        Of all controls; None where they are on several.
    title
        What the job is.
    """
    usable = [control for control in found.controls if control.name.lower() not in KEYWORDS]
    lines = [
        "# A first plan, written by canlens from a discovery: the controls below are what it named.",
        "# Confirm each of them once more before you rest a verdict on it.",
        *_head(title, databases),
    ]
    if channel:
        lines.append(f"channel = {_quoted(channel)}")
    for control in usable:
        lines += ["", f"[controls.{control.name}]", f"signal = {_quoted(control.path)}", *_condition(control)]
    if found.left_out:
        lines += ["", *(f"# {visible(sentence)}" for sentence in found.left_out)]
    when = usable[0].name if usable else "horn"
    lines += ["", *(line.format(when=when) for line in OUTPUT), ""]
    return "\n".join(lines)


def _head(title: str, databases: Sequence[str]) -> Iterator[str]:
    """Yield title and bus."""
    given = [_quoted(each) for each in databases]
    yield f"title = {_quoted(title)}"
    yield "min_exercises = 3                  # of each control, before an output is proven"
    yield ""
    yield "[bus]"
    several = ", ".join(given)
    yield f"database = {several}" if len(given) == 1 else f"database = [{several}]"
    yield "# bit_rate = 250_000               # bit/s; without it, it is inferred or left unknown"
    yield '# awake_while = "ignition"         # the control that wakes the vehicle'


def _condition(control: FoundControl) -> Iterator[str]:
    """Yield the key that says when a control is on."""
    for key, value in (("on", control.on), ("above", control.above), ("below", control.below)):
        if value is not None:
            yield f"{key} = {value:.12g}"


def bare_plan_text(database: Database, *, path: str, node: str | None, title: str) -> str:
    """Write a plan for a database of which nothing is known but itself.

    Parameters
    ----------
    database
        Any.
    path
        Of the database, relative to the plan.
    node
        The node of the accessory controller, whose signals are offered as outputs; None where nobody named one.
    title
        What the job is.

    Returns
    -------
    str
        Every signal that looks like a switch stands there as a control, or as an output of ``node``, behind a ``#``:
        a person takes away those of what the job needs.
    """
    switches = [(message, signal) for message in database.messages for signal in message.signals if is_switch(signal)]
    own = [pair for pair in switches if node is not None and node in pair[0].senders]
    others = [pair for pair in switches if pair not in own]
    lines = [
        "# A first plan, written by canlens from a database alone. Nothing in it is switched on yet: take away the #",
        "# in front of the tables that your job needs, give them plain names (horn, brake_front), and delete the rest.",
        *_head(title, [path]),
    ]
    if node is not None:
        lines += ["", "[controller]", f"node = {_quoted(node)}"]
    lines += ["", f"# Controls: {len(others)} signals that look like switches.", *_blocks(others, "controls", "signal")]
    if own:
        lines += ["", f"# Outputs: {len(own)} signals that {node} sends.", *_blocks(own, "outputs", "command")]
    else:
        lines += ["", *(line.format(when="horn") for line in OUTPUT)]
    return "\n".join([*lines, ""])


def is_switch(signal: SignalDefinition) -> bool:
    """Tell whether a signal looks like a switch: few bits, or a table of few values."""
    if signal.is_float or signal.is_multiplexer:
        return False
    return signal.length <= MOST_BITS or 0 < len(signal.table) <= MOST_VALUES


def _blocks(pairs: Sequence[tuple[Message, SignalDefinition]], kind: str, key: str) -> Iterator[str]:
    """Yield a table behind a ``#`` for each signal, its values as a remark."""
    taken: set[str] = set()
    for message, signal in pairs:
        name = unique(signal.name if signal.name not in taken else f"{message.name}_{signal.name}", taken)
        taken.add(name)
        yield ""
        yield f"# [{kind}.{name}]"
        yield f"# {key} = {_quoted(f'{message.name}.{signal.name}')}"
        if signal.table:
            values = visible(", ".join(f"{raw} {text}" for raw, text in signal.table.items()))
            on = next(
                (str(text) for raw, text in signal.table.items() if raw == 1), str(next(iter(signal.table.values())))
            )
            yield f"# on = {_quoted(on)}{' ' * 8}# of {values}"
        if kind == "outputs":
            yield '# when = "horn"'


def _quoted(text: str) -> str:
    """Return a text as TOML quotes it; JSON's quotes are those of TOML's basic strings, but for one sign."""
    plain = text.encode("utf-8", "replace").decode()
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007f")
