"""A plan in TOML → :class:`canlens.plan.Plan`; every mistake of the file is reported at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from canlens.database import Database, read_database
from canlens.database.source import SUFFIXES
from canlens.errors import DatabaseError, PlanError
from canlens.plan.nouns import (
    DEFAULT_MIN_EXERCISES,
    TIMER_S,
    TIMER_SHARE,
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
    from canlens.plan.shape import ControlShape, Table
    from canlens.plan.written import File, Keys


# One ``[outputs.NAME]`` of a plan → :class:`canlens.plan.Output`.


FLASH_TOLERANCE_RATIO = 0.2
"""Tolerance of the flash rate where a plan names none (the plan format's default)."""

_COMPANIONS = (
    ("on", ("command", "level")),
    ("above", ("command", "level")),
    ("below", ("command", "level")),
    ("unknown", ("command", "level")),
    ("pulse_s", ("command", "level")),
    ("min_on_s", ("command", "level")),
    ("off_within_s", ("command", "level")),
    ("soft_s", ("command", "level")),
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
ONE_OF = ("latch", "pulse_s", "min_on_s", "delay_s")
"""Keys that say in what way an output follows its rule."""


def build_output(
    name: str, shape: Any, *, controls: ControlNames, signals: Signals, mistakes: Mistakes
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
    looked_up: dict[str, Any] = {
        key: controls.rule((*keys, key), getattr(shape, key)) for key in ("when", "flash_when")
    }
    looked_up |= {key: signals.reference((*keys, key), getattr(shape, key)) for key in ("level", "current", "voltage")}
    controls.control((*keys, "night"), shape.night)
    command = _command(keys, shape, signals)
    if looked_up["when"] is None:
        return None
    times = {
        "run_on_s": shape.run_on_s or None,
        "run_on_tolerance_s": _time_tolerance(shape.run_on_tolerance_s, shape.run_on_s),
        "cut_after_tolerance_s": _time_tolerance(shape.cut_after_tolerance_s, shape.cut_after_s),
        "flash_tolerance_hz": _flash_tolerance(shape.flash_tolerance_hz, shape.flash_hz),
    }
    return Output(**_given(shape, Output) | looked_up | times | {"name": name, "command": command})


def _given(shape: Table, noun: type) -> dict[str, Any]:
    """Return what a table says of the attributes of a noun."""
    told = {each.name: getattr(shape, each.name, None) for each in fields(noun)}
    return {key: value for key, value in told.items() if value is not None}


def _check_companions(keys: Keys, shape: Any, mistakes: Mistakes) -> None:
    """Note keys that stand without the key that gives them a meaning."""
    shapes = [key for key in ONE_OF if getattr(shape, key)]
    if len(shapes) > 1:
        mistakes.add((*keys, shapes[1]), f"only one of {', '.join(ONE_OF)}", " and ".join(shapes))
    for key, companions in _COMPANIONS:
        has_key = getattr(shape, key) not in {None, ()}
        has_companion = any(getattr(shape, other) is not None or (*keys, other) in mistakes for other in companions)
        if has_key and not has_companion:
            needed = " or ".join(companions)
            mistakes.add((*keys, key), f"the key {needed} beside it", f"{key} without it")


def _command(keys: Keys, shape: Any, signals: Signals) -> Condition | None:
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
    return max(TIMER_S, TIMER_SHARE * time_s) if time_s else 0.0


def _flash_tolerance(given: float | None, flash_hz: float | None) -> float:
    """Return the tolerance of the flash rate [Hz]: as given, else the default; 0 where there is no rate."""
    return FLASH_TOLERANCE_RATIO * (flash_hz or 0.0) if given is None else given


# A plan in TOML → :class:`canlens.plan.Plan`; every mistake of the file is reported at once.


Given: TypeAlias = str | tuple[str, ...]
ReadDatabase: TypeAlias = Callable[[list[Path] | dict[str, list[Path]]], Database]


def read_plan(file: File, *, read_database: ReadDatabase = read_database) -> Plan:
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
    database = _databases(file, shape.bus.database, mistakes, read_database, named=_paths_in(shape))
    signals = Signals(database, mistakes)
    names = ControlNames(_names(data, "controls"), mistakes)
    bus = _bus(shape.bus, names, mistakes)
    controller = _controller(shape.controller, signals, mistakes)
    controls = {name: _control(name, table, signals) for name, table in shape.controls.items()}
    outputs = {
        name: build_output(name, table, controls=names, signals=signals, mistakes=mistakes)
        for name, table in shape.outputs.items()
    }
    for name, table in shape.outputs.items():
        keys = ("outputs", name, "off_below_v")
        if (
            table.off_below_v is not None
            and shape.controller.supply is None
            and ("controller", "supply") not in mistakes
        ):
            mistakes.add(keys, "the key supply in [controller]", "off_below_v without it")
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


def _paths_in(shape: Any) -> tuple[str, ...]:
    """Return all paths MESSAGE.SIGNAL that a plan names."""
    told = [each for table in shape.controls.values() for each in (table.signal, table.noticed)]
    told += [
        each for table in shape.outputs.values() for each in (table.command, table.level, table.current, table.voltage)
    ]
    return tuple(each for each in (*told, shape.controller.supply) if each)


def _databases(
    file: File,
    given: Given | dict[str, Given],
    mistakes: Mistakes,
    read_database: ReadDatabase,
    *,
    named: tuple[str, ...],
) -> Database | None:
    """Return the plan's databases as one; None if they cannot be read (then it is noted).

    Of two that define one identifier, the one that holds more of the signals that the plan names counts.
    """
    keys = ("bus", "database")
    if keys in mistakes:
        return None
    by_channel = given if isinstance(given, dict) else {"": given}
    paths = {channel: _paths(file, names, mistakes, keys) for channel, names in by_channel.items()}
    if keys in mistakes:
        return None
    try:
        database = read_database(paths if isinstance(given, dict) else paths[""])
        if not database.set_aside:
            return database
        for channel, own in paths.items():
            if len(own) > 1:
                paths[channel] = sorted(
                    own, key=lambda path: -sum(_holds(read_database([path]), each) for each in named)
                )
        return read_database(paths if isinstance(given, dict) else paths[""])
    except DatabaseError as error:
        mistakes.add(keys, "a database that can be read", f"this: {str(error).rstrip('.')}")
        return None


def _holds(database: Database, path: str) -> bool:
    return database.find(path) is not None


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


def _bus(shape: Any, names: ControlNames, mistakes: Mistakes) -> Bus:
    """Return the bus."""
    keys = ("bus", "awake_while")
    names.control(keys, shape.awake_while)
    for name in shape.may_wake or ():
        names.control(("bus", "may_wake"), name)
    if shape.quiet_after_s is not None and shape.awake_while is None and keys not in mistakes:
        mistakes.add(("bus", "quiet_after_s"), "the key awake_while beside it", "quiet_after_s without it")
    return Bus(**_given(shape, Bus))


def _controller(shape: Any, signals: Signals, mistakes: Mistakes) -> Controller:
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
    return Controller(**_given(shape, Controller) | {"supply": supply})


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
        wired=shape.wired,
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
