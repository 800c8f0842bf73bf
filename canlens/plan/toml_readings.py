"""Readings of the meter in TOML → :class:`canlens.plan.Readings`."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

from pydantic import AllowInfNan, Discriminator, Field, Tag

from canlens.errors import Mistake, TableError
from canlens.plan.nouns import Reading, Readings, Text
from canlens.plan.shape import Table, shaped
from canlens.plan.written import Mistakes, read_toml

if TYPE_CHECKING:
    from canlens.plan.written import File


Ohm: TypeAlias = Annotated[float, Field(ge=0)]
Volt: TypeAlias = Annotated[float, AllowInfNan(False)]
MilliAmp: TypeAlias = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Limit: TypeAlias = Annotated[
    tuple[float, float] | None, Field(strict=False, description="two numbers, [least, greatest]")
]


class OhmShape(Table):
    """A resistance with its limits."""

    value: Annotated[Ohm, Field(description="a resistance in ohms, 0 or more, or inf")]
    limit: Limit = None
    source: Text = None


class VoltShape(Table):
    """A voltage with its limits."""

    value: Annotated[Volt, Field(description="a voltage in volts")]
    limit: Limit = None
    source: Text = None


class MilliAmpShape(Table):
    """A current with its limits."""

    value: Annotated[MilliAmp, Field(description="a current in milliamperes, 0 or more")]
    limit: Limit = None
    source: Text = None


def _form(value: object) -> str:
    """Tell the short form of a reading, a number, from the long one, a table."""
    return "table" if isinstance(value, dict | Table) else "number"


_FORM = Discriminator(_form)
_LONG = "or {value = ..., limit = [least, greatest], source = ...}"
OhmReading: TypeAlias = Annotated[
    Annotated[Annotated[Ohm, Tag("number")] | Annotated[OhmShape, Tag("table")], _FORM] | None,
    Field(description=f"a resistance in ohms, 0 or more ('inf' where the meter shows an open line), {_LONG}"),
]
VoltReading: TypeAlias = Annotated[
    Annotated[Annotated[Volt, Tag("number")] | Annotated[VoltShape, Tag("table")], _FORM] | None,
    Field(description=f"a voltage in volts, {_LONG}"),
]
MilliAmpReading: TypeAlias = Annotated[
    Annotated[Annotated[MilliAmp, Tag("number")] | Annotated[MilliAmpShape, Tag("table")], _FORM] | None,
    Field(description=f"a current in milliamperes, 0 or more, {_LONG}"),
]


class ReadingsShape(Table):
    """The whole file."""

    h_l_ohm: OhmReading = None
    h_ground_ohm: OhmReading = None
    l_ground_ohm: OhmReading = None
    h_v: VoltReading = None
    l_v: VoltReading = None
    battery_v: VoltReading = None
    ground_drop_v: VoltReading = None
    sleep_ma: MilliAmpReading = None


def read_readings(file: File) -> Readings:
    """Read what the meter showed.

    Parameters
    ----------
    file
        TOML with the keys ``h_l_ohm``, ``h_ground_ohm``, ``l_ground_ohm`` (between the lines, and from each to
        ground, supply off [ohm]; ``inf`` where the meter shows an open line), ``h_v``, ``l_v``, ``battery_v``,
        ``ground_drop_v`` [V] and ``sleep_ma`` [mA]. Each is a number, or a table with the ``value``, its ``limit``
        and where the limit comes from (``source``).

    Returns
    -------
    Readings
        Those that were given, in file order.

    Raises
    ------
    TableError
        The file has mistakes; all of them are listed with their keys.
    """
    data = read_toml(file, TableError, kind="a table of readings")
    mistakes = Mistakes(os.fspath(file), data)
    shape = shaped(data, ReadingsShape, mistakes)
    given = [(name, getattr(shape, name)) for name in data if name in ReadingsShape.model_fields]
    values = {name: _reading(name, content, mistakes) for name, content in given if content is not None}
    if not data:
        expected = f"one or more of {', '.join(ReadingsShape.model_fields)}"
        raise TableError(os.fspath(file), (Mistake("the file", expected, "no reading"),))
    mistakes.raise_any(TableError)
    return Readings(os.fspath(file), values)


def readings_schema() -> dict[str, Any]:
    """Return the JSON Schema of a file of readings, as read from its TOML."""
    return ReadingsShape.model_json_schema()


def _reading(name: str, content: float | OhmShape | VoltShape | MilliAmpShape, mistakes: Mistakes) -> Reading:
    """Return one reading, whichever form it was given in."""
    if isinstance(content, float):
        return Reading(name, content)
    if content.limit is not None and not content.limit[0] <= content.limit[1]:
        low, high = content.limit
        mistakes.add((name, "limit"), "two numbers, [least, greatest]", f"[{low:g}, {high:g}]")
    return Reading(name, content.value, content.limit, content.source or "")
