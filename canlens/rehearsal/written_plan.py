"""Written plan, marks, readings and observations: nouns → the files that a person would have written."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canlens.plan import Condition, Mark, Observation, Output, Plan, Readings

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


def readings_text(readings: Readings) -> str:
    """Write what the meter showed as TOML."""
    return "".join(f"{name} = {one.value:g}\n" for name, one in readings.values.items())


def marks_text(marks: Iterable[Mark]) -> str:
    """Write what the person noted as CSV."""
    rows = [
        f"{mark.time_s:.2f},{mark.label}," + (f"{mark.until_s:.2f}" if mark.until_s is not None else "")
        for mark in marks
    ]
    return "\n".join(["time_s,label,until_s", *rows, ""])


def observed_text(observed: Iterable[Observation]) -> str:
    """Write what eye and ear saw as CSV."""
    rows = [f"{one.time_s:.2f},{one.output},{int(one.on)}" for one in observed]
    return "\n".join(["time_s,output,on", *rows, ""])
