"""Files: a drawn plan and its database → the texts that a person would have written."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Database, Message, SignalDefinition
    from canlens.plan import Condition, Output, Plan

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


Value = str | float | list[float] | list[int] | list[str]


def plan_text(plan: Plan, *, database: str) -> str:
    """Write a plan as TOML.

    Parameters
    ----------
    plan
        Its database is not written.
    database
        Path of the database, relative to the plan's file.
    """
    lines = [*_pairs(title=plan.title, min_exercises=plan.min_exercises), "", "[bus]"]
    bus = plan.bus
    lines += _pairs(bit_rate=bus.bit_rate, data_bit_rate=bus.data_bit_rate, database=database, channel=bus.channel)
    lines += _pairs(awake_while=bus.awake_while, quiet_after_s=bus.quiet_after_s)
    controller = plan.controller
    supply = controller.supply.path if controller.supply is not None else None
    lines += ["", "[controller]", *_pairs(node=controller.node, supply=supply, supply_min_v=controller.supply_min_v)]
    for name, control in plan.controls.items():
        noticed = control.noticed.reference.path if control.noticed is not None else None
        lines += ["", f"[controls.{name}]", *_pairs(signal=control.condition.reference.path)]
        lines += [*_condition(control.condition), *_pairs(noticed=noticed, min_exercises=control.min_exercises)]
    for name, output in plan.outputs.items():
        lines += ["", f"[outputs.{name}]", *_output(output)]
    return "\n".join([*lines, ""])


def _output(output: Output) -> Iterator[str]:
    """Yield the keys of one output."""
    yield from _pairs(load=output.load or None, terminal=output.terminal or None, safety=output.safety)
    if output.command is not None:
        yield from _pairs(command=output.command.reference.path)
        yield from _condition(output.command)
    yield from _pairs(when=str(output.when), within_s=output.within_s, min_exercises=output.min_exercises)
    if output.run_on_s is not None:
        yield from _pairs(run_on_s=output.run_on_s, run_on_tolerance_s=output.run_on_tolerance_s)
    if output.cut_after_s is not None:
        yield from _pairs(cut_after_s=output.cut_after_s, cut_after_tolerance_s=output.cut_after_tolerance_s)
    if output.level is not None:
        yield from _pairs(level=output.level.path, level_day=output.level_day, level_night=output.level_night)
        yield from _pairs(level_tolerance=output.level_tolerance, night=output.night)
    if output.flash_when is not None:
        yield from _pairs(flash_when=str(output.flash_when), flash_hz=output.flash_hz)
        yield from _pairs(flash_tolerance_hz=output.flash_tolerance_hz)
    paths = {
        key: reference.path if reference is not None else None
        for key, reference in (("current", output.current), ("voltage", output.voltage))
    }
    yield from _pairs(**paths, continuous_a=output.continuous_a, peak_a=output.peak_a, peak_s=output.peak_s)
    yield from _pairs(load_a=output.load_a)


def _condition(condition: Condition) -> list[str]:
    """Return the keys that say when a signal counts as on."""
    table = condition.reference.definition.table
    on: list[str | float] = [*(table[raw] for raw in condition.on_raw), *condition.on_values]
    return _pairs(
        on=json.dumps(on) if len(on) > 1 else (on[0] if on else None),
        above=condition.above,
        below=condition.below,
        unknown=list(condition.unknown) or None,
    )


def _pairs(**pairs: Value | None) -> list[str]:
    """Return ``key = value`` for each key that has a value; a list stands as TOML writes it."""
    return [f"{key} = {_written(value)}" for key, value in pairs.items() if value is not None]


def _written(value: Value) -> str:
    """Return a value as TOML; text is quoted as JSON quotes it, which TOML's basic strings understand."""
    if isinstance(value, str) and value.startswith("["):
        return value
    return json.dumps(value, ensure_ascii=False)
