"""A plan in TOML → :class:`canlens.plan.Plan`; every mistake of the file is reported at once."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from canlens.database import Database, load_database
from canlens.database.source import SUFFIXES
from canlens.errors import DatabaseError, PlanError
from canlens.plan.control_names import ControlNames, check_name
from canlens.plan.mistakes import Mistakes, close_names
from canlens.plan.nouns import DEFAULT_MIN_EXERCISES, Bus, Condition, Control, Controller, Plan
from canlens.plan.shaping import shaped
from canlens.plan.signal_paths import Signals
from canlens.plan.toml_output import build_output
from canlens.plan.toml_shape import PlanShape
from canlens.plan.written import read_toml

if TYPE_CHECKING:
    from canlens.plan.mistakes import Keys
    from canlens.plan.toml_shape import BusShape, ControllerShape, ControlShape
    from canlens.plan.written import File

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
