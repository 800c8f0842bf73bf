"""A plan in TOML → :class:`canlens.plan.Plan`; every mistake of the file is reported at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from canlens.database import Database, load_database
from canlens.database.source import SUFFIXES
from canlens.errors import DatabaseError, PlanError
from canlens.plan.nouns import (
    DEFAULT_MIN_EXERCISES,
    DEFAULT_WITHIN_S,
    Bus,
    Condition,
    Control,
    Controller,
    Output,
    Plan,
)
from canlens.plan.shape import PlanShape, shaped
from canlens.plan.signal_paths import ControlNames, Signals, check_name
from canlens.plan.written import Mistakes, close_names, read_toml

if TYPE_CHECKING:
    from canlens.plan.shape import BusShape, ControllerShape, ControlShape, OutputShape
    from canlens.plan.written import File, Keys


# One ``[outputs.NAME]`` of a plan → :class:`canlens.plan.Output`.


LEAST_TOLERANCE_S = 0.5
"""Tolerance of run-on and cut-off where a plan names none [s] (the plan format's default)."""
TOLERANCE_RATIO = 0.05
"""The same for long times, as a ratio of the time; the larger of both counts."""
LEVEL_TOLERANCE = 5.0
"""Tolerance of a level where a plan names none, in the unit of its signal (the plan format's default)."""
FLASH_TOLERANCE_RATIO = 0.2
"""Tolerance of the flash rate where a plan names none (the plan format's default)."""

_COMPANIONS = (
    ("on", ("command", "level")),
    ("above", ("command", "level")),
    ("below", ("command", "level")),
    ("unknown", ("command", "level")),
    ("run_on_tolerance_s", ("run_on_s",)),
    ("cut_after_tolerance_s", ("cut_after_s",)),
    ("level_day", ("level",)),
    ("level_night", ("level",)),
    ("level_night", ("night",)),
    ("level_tolerance", ("level",)),
    ("night", ("level",)),
    ("flash_hz", ("flash_when",)),
    ("flash_tolerance_hz", ("flash_hz",)),
    ("peak_a", ("peak_s",)),
    ("peak_s", ("peak_a",)),
)
"""Keys that mean nothing without (one of) the others."""


def build_output(
    name: str, shape: OutputShape, *, controls: ControlNames, signals: Signals, mistakes: Mistakes
) -> Output | None:
    """Return the output, or None if its rule is wrong; mistakes are noted.

    An output without ``command`` but with ``level`` is judged by its level: on while the level is above 0, or
    as ``on``, ``above``, ``below`` and ``unknown`` say.
    """
    keys = ("outputs", name)
    _check_companions(keys, shape, mistakes)
    if shape.peak_a is not None and shape.continuous_a is not None and shape.peak_a < shape.continuous_a:
        expected = f"at least continuous_a ({shape.continuous_a:g})"
        mistakes.add((*keys, "peak_a"), expected, f"{shape.peak_a:g}")
    rule = controls.rule((*keys, "when"), shape.when)
    flash_when = controls.rule((*keys, "flash_when"), shape.flash_when)
    night = controls.control((*keys, "night"), shape.night)
    level = signals.reference((*keys, "level"), shape.level)
    current = signals.reference((*keys, "current"), shape.current)
    voltage = signals.reference((*keys, "voltage"), shape.voltage)
    command = _command(keys, shape, signals)
    if rule is None:
        return None
    output = Output(
        name,
        rule,
        load=shape.load or "",
        terminal=shape.terminal or "",
        safety=shape.safety,
        command=command,
        within_s=DEFAULT_WITHIN_S if shape.within_s is None else shape.within_s,
        min_exercises=shape.min_exercises,
        night=night,
        flash_when=flash_when,
        level=level,
        current=current,
        voltage=voltage,
    )
    return _with_limits(_with_timers(_with_light(output, shape), shape), shape)


def _with_timers(output: Output, shape: OutputShape) -> Output:
    """Return the output with its run-on and its cut-off."""
    return replace(
        output,
        run_on_s=shape.run_on_s or None,
        run_on_tolerance_s=_time_tolerance(shape.run_on_tolerance_s, shape.run_on_s),
        cut_after_s=shape.cut_after_s,
        cut_after_tolerance_s=_time_tolerance(shape.cut_after_tolerance_s, shape.cut_after_s),
    )


def _with_light(output: Output, shape: OutputShape) -> Output:
    """Return the output with its levels and its flash rate."""
    return replace(
        output,
        level_day=shape.level_day,
        level_night=shape.level_night,
        level_tolerance=LEVEL_TOLERANCE if shape.level_tolerance is None else shape.level_tolerance,
        flash_hz=shape.flash_hz,
        flash_tolerance_hz=_flash_tolerance(shape),
    )


def _with_limits(output: Output, shape: OutputShape) -> Output:
    """Return the output with the limits of its current and with what its load draws."""
    return replace(
        output,
        continuous_a=shape.continuous_a,
        peak_a=shape.peak_a,
        peak_s=shape.peak_s,
        load_a=shape.load_a,
    )


def _check_companions(keys: Keys, shape: OutputShape, mistakes: Mistakes) -> None:
    """Note keys that stand without the key that gives them a meaning."""
    for key, companions in _COMPANIONS:
        has_key = getattr(shape, key) not in {None, ()}
        has_companion = any(getattr(shape, other) is not None or (*keys, other) in mistakes for other in companions)
        if has_key and not has_companion:
            needed = " or ".join(companions)
            mistakes.add((*keys, key), f"the key {needed} beside it", f"{key} without it")


def _command(keys: Keys, shape: OutputShape, signals: Signals) -> Condition | None:
    """Return when the output counts as on: by its command, else by its level."""
    if shape.command is not None:
        return signals.condition((*keys, "command"), shape.command, shape)
    if shape.on is None and shape.above is None and shape.below is None:
        shape = shape.model_copy(update={"above": 0.0})
    return signals.condition((*keys, "level"), shape.level, shape)


def _time_tolerance(given: float | None, time_s: float | None) -> float:
    """Return the tolerance of a time [s]: as given, else the default; 0 where there is no time."""
    if given is not None:
        return given
    return max(LEAST_TOLERANCE_S, TOLERANCE_RATIO * time_s) if time_s else 0.0


def _flash_tolerance(shape: OutputShape) -> float:
    """Return the tolerance of the flash rate [Hz]: as given, else the default; 0 where there is no rate."""
    if shape.flash_tolerance_hz is not None:
        return shape.flash_tolerance_hz
    return FLASH_TOLERANCE_RATIO * (shape.flash_hz or 0.0)


# A plan in TOML → :class:`canlens.plan.Plan`; every mistake of the file is reported at once.


Given: TypeAlias = str | tuple[str, ...]
ReadDatabase: TypeAlias = Callable[[list[Path] | dict[str, list[Path]]], Database]


def load_plan(file: File, *, read_database: ReadDatabase = load_database) -> Plan:
    """Read a bring-up plan with its databases.

    Parameters
    ----------
    file
        The plan, TOML in UTF-8. ``bus.database`` is a path relative to it, or a list of paths that are read
        as one database. Under a control or an output, ``on`` takes numbers (scaled values, as the database
        shows them) and texts (entries of the signal's value table); ``above`` and ``below`` are scaled
        values; ``unknown`` lists raw values. An output without ``command`` but with ``level`` counts as on
        while its level is above 0.
    read_database
        Reads the databases.

    Raises
    ------
    PlanError
        The plan has mistakes; all are listed, each with its key, what was expected and what was found.
    """
    data = read_toml(file, PlanError, kind="a plan")
    mistakes = Mistakes(os.fspath(file), data)
    shape = shaped(data, PlanShape, mistakes)
    database = _databases(file, shape.bus.database, mistakes, read_database)
    signals = Signals(database, mistakes)
    names = ControlNames(_names(data, "controls"), mistakes)
    bus = _bus(shape.bus, names, mistakes)
    controller = _controller(shape.controller, signals, mistakes)
    controls = {name: _control(name, table, signals) for name, table in shape.controls.items()}
    outputs = {
        name: build_output(name, table, controls=names, signals=signals, mistakes=mistakes)
        for name, table in shape.outputs.items()
    }
    for kind in ("controls", "outputs"):
        _check_names(kind, data, mistakes)
    mistakes.raise_any(PlanError)
    return Plan(
        title=shape.title or Path(file).stem,
        file=os.fspath(file),
        database=database or Database(),
        controls={name: control for name, control in controls.items() if control},
        outputs={name: output for name, output in outputs.items() if output},
        bus=bus,
        controller=controller,
        min_exercises=shape.min_exercises or DEFAULT_MIN_EXERCISES,
    )


def _databases(
    file: File, given: Given | dict[str, Given], mistakes: Mistakes, read_database: ReadDatabase
) -> Database | None:
    """Return the plan's databases as one; None if they cannot be read (then it is noted)."""
    keys = ("bus", "database")
    if keys in mistakes:
        return None
    by_channel = given if isinstance(given, dict) else {"": given}
    paths = {channel: _paths(file, names, mistakes, keys) for channel, names in by_channel.items()}
    if keys in mistakes:
        return None
    try:
        return read_database(paths if isinstance(given, dict) else paths[""])
    except DatabaseError as error:
        mistakes.add(keys, "a database that can be read", f"this: {str(error).rstrip('.')}")
        return None


def _paths(file: File, given: Given, mistakes: Mistakes, keys: Keys) -> list[Path]:
    """Return the paths of some databases; those that lead to no file are noted."""
    names = (given,) if isinstance(given, str) else given
    paths = [Path(file).parent / name for name in names]
    for name, path in zip(names, paths, strict=True):
        if not name or not _is_file(path):
            expected = f"a file in {path.parent}"
            mistakes.add(keys, expected, f"no file '{name}' there", close=_databases_beside(path))
    return paths


def _is_file(path: Path) -> bool:
    """Return whether there is such a file; a path that no system could have leads to none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _databases_beside(path: Path) -> tuple[str, ...]:
    """Return databases beside a missing one: those with a similar name, else the first few."""
    try:
        names = sorted(other.name for other in path.parent.iterdir())
    except (OSError, ValueError):
        return ()
    alike = [name for name in names if Path(name).suffix.lower() in SUFFIXES]
    return close_names(path.name, alike) or tuple(alike[:3])


def _bus(shape: BusShape, names: ControlNames, mistakes: Mistakes) -> Bus:
    """Return the bus."""
    keys = ("bus", "awake_while")
    awake_while = names.control(keys, shape.awake_while)
    if shape.quiet_after_s is not None and awake_while is None and keys not in mistakes:
        mistakes.add(("bus", "quiet_after_s"), "the key awake_while beside it", "quiet_after_s without it")
    return Bus(
        bit_rate=shape.bit_rate,
        data_bit_rate=shape.data_bit_rate,
        channel=shape.channel,
        awake_while=awake_while,
        quiet_after_s=shape.quiet_after_s,
        match_pgn=shape.match_pgn,
    )


def _controller(shape: ControllerShape, signals: Signals, mistakes: Mistakes) -> Controller:
    """Return the accessory controller."""
    database = signals.database
    if shape.node is not None and database is not None:
        senders = [sender for message in database.messages for sender in message.senders]
        nodes = tuple(dict.fromkeys((*database.nodes, *senders)))
        if shape.node not in nodes:
            close = close_names(shape.node, nodes) or nodes[:3]
            mistakes.add(("controller", "node"), "a node of the databases", f"'{shape.node}'", close=close)
    keys = ("controller", "supply")
    supply = signals.reference(keys, shape.supply)
    if shape.supply_min_v is not None and shape.supply is None and keys not in mistakes:
        mistakes.add(("controller", "supply_min_v"), "the key supply beside it", "supply_min_v without it")
    return Controller(node=shape.node, supply=supply, supply_min_v=shape.supply_min_v)


def _control(name: str, shape: ControlShape, signals: Signals) -> Control | None:
    """Return the control; None if its signal is wrong (then it is noted)."""
    keys = ("controls", name)
    condition = signals.condition((*keys, "signal"), shape.signal, shape)
    noticed = signals.reference((*keys, "noticed"), shape.noticed)
    if condition is None:
        return None
    return Control(
        name,
        condition,
        noticed=Condition(noticed) if noticed else None,
        min_exercises=shape.min_exercises,
    )


def _names(data: Mapping[str, object], kind: str) -> tuple[str, ...]:
    """Return the names of all controls (or outputs) that the file lists, also of those with mistakes."""
    tables = data.get(kind)
    return tuple(tables) if isinstance(tables, Mapping) else ()


def _check_names(kind: str, data: Mapping[str, object], mistakes: Mistakes) -> None:
    """Note names that cannot be used, and a plan without any."""
    names = _names(data, kind)
    for name in names:
        check_name((kind, name), mistakes)
    if not names:
        singular = kind.removesuffix("s")
        mistakes.add((kind,), f"a table [{kind}.NAME] for each {singular}", "an empty table")
