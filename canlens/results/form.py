"""Form: how nouns and results are written as JSON values, and the shape that this gives their classes.

A class is written field by field. One that knows more than it writes has the attribute ``WRITTEN``: the keys in order,
each alone or as ``key=attribute``, where an attribute may be a property, or one of an attribute (``lengths.usual``).
What has a length, such as frames picked out as evidence, is written as its number.
"""

from __future__ import annotations

import math
import operator
import sys
import types
from collections.abc import Mapping, Sized
from dataclasses import field, fields, is_dataclass, make_dataclass
from functools import cache, reduce
from inspect import getattr_static
from typing import Any, Literal, get_args, get_origin, get_type_hints

Json = dict[str, "Json"] | list["Json"] | str | int | float | bool | None
"""What JSON can hold."""

COLUMNS = {"Floats": list[float], "Ints": list[int], "Bools": list[bool]}
"""How columns are written, by the names that annotations give them."""


@cache
def version() -> str:
    """Return the version of the installed program; ``unknown`` for a copy that was never installed."""
    from importlib import metadata  # noqa: PLC0415 – 10 ms that the help text need not wait for

    try:
        return metadata.version("canlens")
    except metadata.PackageNotFoundError:
        return "unknown"


def document(schema: str, result: Any) -> dict[str, Json]:
    """Return the written form of a whole result, behind its name and the program's version.

    JSON values only: tuples and columns are lists, and what is not finite (``inf``, ``nan``) is null.
    """
    return {"schema": schema, "canlens": version(), **{key: plain(part) for key, part in _parts(result)}}


def plain(value: object) -> Json:
    """Return a value of a result as JSON values."""
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, tuple | list):
        return [plain(each) for each in value]
    if isinstance(value, Mapping):
        return {str(key): plain(each) for key, each in value.items()}
    if is_dataclass(value):
        return len(value) if isinstance(value, Sized) else {key: plain(part) for key, part in _parts(value)}
    if hasattr(value, "tolist"):  # a column, or a number out of one
        return plain(value.tolist())
    raise TypeError(f"{type(value).__name__} has no written form")


def _parts(value: Any) -> list[tuple[str, object]]:
    cls: type = type(value)
    return [(key, operator.attrgetter(attribute)(value)) for key, attribute in _keys(cls).items()]


@cache
def _keys(cls: type) -> dict[str, str]:
    """Return the attribute behind each key that a class writes."""
    written = getattr(cls, "WRITTEN", None) or " ".join(each.name for each in fields(cls))
    return {key: attribute or key for key, _, attribute in (each.partition("=") for each in written.split())}


@cache
def form_of(cls: type) -> type:
    """Return a class whose fields are the keys that another one writes: itself where it is written as it stands."""
    kinds = {key: _formed(_kind(cls, attribute)) for key, attribute in _keys(cls).items()}
    try:
        natural = get_type_hints(cls)
        if kinds == {each.name: natural[each.name] for each in fields(cls)}:
            return cls
    except NameError:  # a name that only the type checker knows: a column, or a part that is not written
        pass
    defaults = {each.name: each.default for each in fields(cls)}
    parts = [(key, kind, field(default=defaults[key]) if key in defaults else field()) for key, kind in kinds.items()]
    return make_dataclass(cls.__name__, parts, namespace={"__doc__": cls.__doc__}, frozen=True, kw_only=True)


def _kind(cls: type, attribute: str) -> Any:
    """Return the type of an attribute, resolved where its class stands."""
    kind: Any = cls
    for name in attribute.split("."):
        home = next(each for each in kind.__mro__ if name in vars(each) or name in each.__annotations__)
        found = getattr_static(home, name, None)
        told = found.fget.__annotations__["return"] if isinstance(found, property) else home.__annotations__[name]
        holder = types.SimpleNamespace(__annotations__={name: told})
        kind = get_type_hints(holder, globalns={**COLUMNS, **vars(sys.modules[home.__module__])})[name]
    return kind


def _formed(kind: Any) -> Any:
    """Return a type with the forms of the classes inside it."""
    if is_dataclass(kind) and isinstance(kind, type):
        return int if issubclass(kind, Sized) else form_of(kind)
    inside, outside = get_args(kind), get_origin(kind)
    if not inside or outside is Literal:
        return kind
    formed = tuple(_formed(each) for each in inside)
    return reduce(operator.or_, formed) if outside is types.UnionType else outside[formed]
