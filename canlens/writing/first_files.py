"""First files: what was found, or a bare database → a DBC and a plan that can be read, and that tell how to go on."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.plan.nouns import REST
from canlens.plan.rule import KEYWORDS
from canlens.reports.layout import fitted, visible
from canlens.wording import counted
from canlens.writing.found_bits import unique

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.database import Database, Message, SignalDefinition
    from canlens.writing.found_bits import FoundBits, FoundControl


# DBC text: messages that were found → a DBC file with what speaks for each signal as its comment.


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
    unit = _dbc_quoted(signal.unit)
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
        yield f"CM_ BO_ {_number(message)} {_dbc_quoted(told)};"
        for signal in message.signals:
            comment = found.comments.get(f"{message.name}.{signal.name}")
            if comment:
                yield f"CM_ SG_ {_number(message)} {signal.name} {_dbc_quoted(comment)};"


def _attributes(found: FoundBits) -> Iterator[str]:
    yield f'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 {LONGEST_CYCLE_MS};'
    yield 'BA_DEF_DEF_ "GenMsgCycleTime" 0;'
    fast = [message for message in found.messages if message.is_fd]
    if fast:
        yield f'BA_DEF_ BO_ "VFrameFormat" ENUM {",".join(map(_dbc_quoted, FRAME_FORMATS))};'
        yield f'BA_DEF_DEF_ "VFrameFormat" {_dbc_quoted(FRAME_FORMATS[0])};'
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
                entries = " ".join(f"{raw} {_dbc_quoted(text)}" for raw, text in signal.table.items())
                yield f"VAL_ {_number(message)} {signal.name} {entries} ;"


def _dbc_quoted(text: str) -> str:
    """Return a text as a DBC quotes it; a backslash or quote inside would not be read alike everywhere."""
    plain = fitted(" ".join(text.split()), "ascii").replace("\\", "/").replace('"', "'")
    return f'"{plain}"'


# Plan text: what was found, or a bare database → a plan that can be read, and that tells how to go on.


_ODD = re.compile(r"[^A-Za-z0-9_-]")

MOST_BITS = 2
"""A signal of so few bits is taken for a switch; a larger one only if it has a table of few values."""
MOST_VALUES = 8
OUTPUT = (
    "# What the controller switches: one such table for each output, with its own name.",
    "[outputs.output_1]",
    'load = "write here what hangs on it"',
    '# command = "MESSAGE.SIGNAL"     # the signal that shows the output; leave it out if nothing on the bus does,',
    "#                                # then note what you see in a table for --observed",
    'when = "{when}"  # and, or, not, parentheses over the controls',
    "within_s = 0.3                   # an answer is due within this time, on and off alike",
)
SWITCH_WORDS = re.compile(
    "horn|brake|brems|lever|button|switch|key|ignition|lamp|light|beam|indicator|turn|press|squeez|dusk", re.IGNORECASE
)
"""Words by which a person calls what is operated; such signals are offered first."""


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
        lines.append(f"channel = {_toml_quoted(channel)}")
    for control in usable:
        lines += ["", f"[controls.{control.name}]", f"signal = {_toml_quoted(control.path)}", *_condition(control)]
    words = [
        f"{control.name}: is a word of the rule language, so no control can bear it. Write it by another name."
        for control in found.controls
        if control not in usable
    ]
    if found.left_out or words:
        lines += ["", *(f"# {visible(sentence)}" for sentence in (*found.left_out, *words))]
    when = usable[0].name if usable else "horn"
    lines += ["", *(line.format(when=when) for line in OUTPUT), ""]
    return "\n".join(lines)


def _head(title: str, databases: Sequence[str]) -> Iterator[str]:
    """Yield title and bus."""
    given = [_toml_quoted(each) for each in databases]
    yield f"title = {_toml_quoted(title)}"
    yield "min_exercises = 3                  # of each control, before an output is proven"
    yield ""
    yield "[bus]"
    several = ", ".join(given)
    yield f"database = {several}" if len(given) == 1 else f"database = [{several}]"
    yield "# bit_rate = 250_000               # bit/s; without it, it is inferred or left unknown"
    yield '# awake_while = "ignition"         # the control that wakes the vehicle'


def _condition(control: FoundControl) -> Iterator[str]:
    """Yield the keys that say when a control is on."""
    values = [f"{value:.12g}" for value in control.on]
    if values:
        yield f"on = {values[0]}" if len(values) == 1 else f"on = [{', '.join(values)}]"
    for key, limit in (("above", control.above), ("below", control.below)):
        if limit is not None:
            yield f"{key} = {limit:.12g}"


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
        Every signal that looks like a switch stands there: those whose name or values speak of a control as controls,
        the others behind a ``#``, those of ``node`` as outputs.

    Raises
    ------
    UsageError
        No signal looks like a switch.
    """
    switches = [(message, signal) for message in database.messages for signal in message.signals if is_switch(signal)]
    own = [pair for pair in switches if node is not None and node in pair[0].senders]
    others = [pair for pair in switches if pair not in own]
    likely = [pair for pair in others if _speaks_of_a_control(*pair)] or others[:1]
    if not likely:
        raise UsageError(
            f"{path}: no signal in it looks like a switch: at most {MOST_BITS} bits, or a table of at most "
            f"{MOST_VALUES} values. Write the plan by hand."
        )
    blocks = {name: lines for name, *lines in _blocks(likely, "controls", "signal")}
    rest = [pair for pair in others if pair not in likely]
    lines = [
        "# A first plan, written by canlens from a database alone: it guesses by their names what is operated.",
        "# Keep the tables that your job needs, give them plain names (horn, brake_front), and delete the others.",
        *_head(title, [path]),
    ]
    if node is not None:
        lines += ["", "[controller]", f"node = {_toml_quoted(node)}"]
    for block in blocks.values():
        lines += ["", *block]
    lines += ["", *(line.format(when=next(iter(blocks))) for line in OUTPUT)]
    for title_of, pairs, kind, key in (
        (f"# {counted(len(own), 'signal')} of {node} that may show an output.", own, "outputs", "command"),
        (f"# {counted(len(rest), 'more signal')} that may be a switch.", rest, "controls", "signal"),
    ):
        if pairs:
            lines += ["", title_of]
        for _, *block in _blocks(pairs, kind, key):
            lines += ["", *(f"# {line}" for line in block)]
            if kind == "outputs":
                lines.append(f'# when = "{next(iter(blocks))}"')
    return "\n".join([*lines, ""])


def _speaks_of_a_control(message: Message, signal: SignalDefinition) -> bool:
    """Tell whether the names of a signal sound like something that a person operates."""
    return bool(SWITCH_WORDS.search(" ".join([message.name, signal.name, *map(str, signal.table.values())])))


def is_switch(signal: SignalDefinition) -> bool:
    """Tell whether a signal looks like a switch: few bits, or a table of few values."""
    if signal.is_float or signal.is_multiplexer:
        return False
    return signal.length <= MOST_BITS or 0 < len(signal.table) <= MOST_VALUES


def _blocks(pairs: Sequence[tuple[Message, SignalDefinition]], kind: str, key: str) -> Iterator[list[str]]:
    """Yield the name and the lines of a table for each signal, its values as a remark."""
    taken: set[str] = set(KEYWORDS) | {REST}
    for message, signal in pairs:
        plain = _ODD.sub("_", signal.name)
        name = unique(plain if plain.lower() not in taken else f"{_ODD.sub('_', message.name)}_{plain}", taken)
        taken |= {name, name.lower()}
        lines = [f"[{kind}.{name}]", f"{key} = {_toml_quoted(f'{message.name}.{signal.name}')}"]
        if signal.table:
            values = visible(", ".join(f"{raw} {text}" for raw, text in signal.table.items()))
            texts = {raw: str(text) for raw, text in signal.table.items()}
            on = texts.get(1, list(texts.values())[-1])
            lines.append(f"on = {_toml_quoted(on)}{' ' * 8}# of {values}")
        unknown = [raw for raw in signal.table if raw in signal.named_invalid]
        if unknown and min(unknown) >= 0:
            lines.append(f"unknown = {unknown}")
        yield [name, *lines]


def _toml_quoted(text: str) -> str:
    """Return a text as TOML quotes it; JSON's quotes are those of TOML's basic strings, but for one sign."""
    plain = text.encode("utf-8", "replace").decode()
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007f")
