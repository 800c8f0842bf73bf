"""The shape of a plan in TOML: which keys there are, what each may hold, and the content brought into it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, fields
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from canlens.plan.nouns import Bus, Condition, Controller, Number, Output, SignalReference, Text, Times, YesNo
from canlens.plan.rule import Rule
from canlens.plan.written import Keys, Mistakes, close_names, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic_core import ErrorDetails


# The content of a TOML file, brought into its shape; what does not fit becomes a list of mistakes.


Shape = TypeVar("Shape", bound=BaseModel)


def shaped(data: Mapping[str, object], shape: type[Shape], mistakes: Mistakes) -> Shape:
    """Bring the content of a TOML file into its shape.

    What does not fit is noted and left out, so that the rest can be searched for further mistakes: a key
    that had to be there is then an empty text, an empty table, or 0.

    Parameters
    ----------
    data
        What the file says.
    shape
        What it should look like; the descriptions of its fields say what was expected.
    mistakes
        Takes what does not fit.
    """
    rest = _copied(data)
    while True:
        try:
            return shape.model_validate(rest)
        except ValidationError as error:
            for keys, details in _by_keys(error, rest).items():
                if _lacks_key(details):
                    _note_missing(keys, rest, shape, mistakes)
                else:
                    _note_wrong(keys, details["input"], rest, shape, mistakes)


def _lacks_key(details: ErrorDetails) -> bool:
    """Return whether a key is missing from a table (a list may also be too short)."""
    return details["type"] == "missing" and isinstance(details["loc"][-1], str)


def _by_keys(error: ValidationError, data: Mapping[str, object]) -> dict[Keys, ErrorDetails]:
    """Return the errors of pydantic by the keys they are about; of several at one place, the innermost."""
    errors: dict[Keys, ErrorDetails] = {}
    for details in error.errors(include_url=False, include_context=False):
        keys = _keys_of(details["loc"], data)
        if _lacks_key(details):
            keys = (*keys, str(details["loc"][-1]))
        if keys not in errors or len(details["loc"]) > len(errors[keys]["loc"]):
            errors[keys] = details
    return errors


def _copied(table: Mapping[str, object]) -> dict[str, object]:
    """Copy a table with its tables, so that keys can be left out of the copy."""
    return {key: _copied(value) if isinstance(value, Mapping) else value for key, value in table.items()}


def _note_missing(keys: Keys, rest: dict[str, object], shape: type[BaseModel], mistakes: Mistakes) -> None:
    """Note a key that is missing, and put something empty there."""
    home, expected = _looked_up(shape, keys)
    mistakes.add(keys, expected, "nothing")
    annotation = home.model_fields[keys[-1]].annotation
    has_tables = any(True for _ in _tables_in(annotation))
    _table_at(rest, keys[:-1])[keys[-1]] = {} if has_tables else 0.0 if annotation is float else ""


def _note_wrong(keys: Keys, found: object, rest: dict[str, object], shape: type[BaseModel], mistakes: Mistakes) -> None:
    """Note a key that is unknown or holds the wrong thing, and leave it out."""
    home, expected = _looked_up(shape, keys)
    if expected:
        mistakes.add(keys, expected, shown(found))
    else:
        _note_unknown(keys, home, shape, mistakes)
    _table_at(rest, keys[:-1]).pop(keys[-1], None)


def _note_unknown(keys: Keys, home: type[BaseModel], shape: type[BaseModel], mistakes: Mistakes) -> None:
    """Note a key that its table does not know: perhaps it is misspelt, perhaps it belongs elsewhere."""
    close = close_names(keys[-1], home.model_fields)
    expected = "a key that is known here" if close else f"one of {', '.join(home.model_fields)}"
    places = [place for place, table in _tables_of(shape) if keys[-1] in table.model_fields]
    found = f"the key '{keys[-1]}', which belongs in {places[0]}" if places else f"the key '{keys[-1]}'"
    mistakes.add(keys, expected, found, close=close)


def _keys_of(location: tuple[int | str, ...], data: Mapping[str, object]) -> Keys:
    """Return the keys that a location of pydantic names, without positions in lists and names of types."""
    keys: list[str] = []
    table: object = data
    for part in location:
        if isinstance(table, Mapping) and part in table:
            keys.append(str(part))
            table = table[part]
    return tuple(keys)


def _table_at(data: dict[str, object], keys: Keys) -> dict[str, object]:
    """Return the table that the keys lead to; an empty one if they lead nowhere."""
    table: object = data
    for key in keys:
        table = table.get(key) if isinstance(table, dict) else None
    return table if isinstance(table, dict) else {}


def _looked_up(shape: type[BaseModel], keys: Keys) -> tuple[type[BaseModel], str]:
    """Return the shape of the table that holds the last key, and what is expected there; empty if unknown."""
    home, expected = shape, ""
    is_free = False
    for key in keys:
        if is_free:  # the NAME of [controls.NAME]
            is_free = False
            continue
        home = shape
        info = home.model_fields.get(key)
        if info is None:
            return home, ""
        expected = info.description or "another value"
        is_free = dict in (get_origin(info.annotation), *map(get_origin, get_args(info.annotation)))
        shape = next(_tables_in(info.annotation), shape)
    return home, expected


def _tables_in(annotation: object) -> Iterator[type[BaseModel]]:
    """Yield the shapes of tables that an annotation names."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables_in(part)


def _tables_of(shape: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    """Yield each table of a file with the place where it stands."""
    yield "the top of the file", shape
    for name, info in shape.model_fields.items():
        for table in _tables_in(info.annotation):
            yield (f"[{name}.NAME]" if get_origin(info.annotation) is dict else f"[{name}]"), table


# The shape of a plan in TOML: which keys there are, and what each may hold.
#
# What a key may hold and what it means stands at the nouns (:mod:`canlens.plan.nouns`), whose tables are made from
# them; only what a plan writes in another way stands here. The descriptions are phrases that also say, in a list of
# mistakes, what was expected.


class Table(BaseModel):
    """A table of the plan: every key is known, numbers are numbers, and nothing is converted."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


PATH = Field(description="a signal of the databases, MESSAGE.SIGNAL")
RULE = Field(description="a rule: the names of controls, 'and', 'or', 'not' and parentheses")
OnValue = Annotated[float, Field(allow_inf_nan=False)] | str
OnValues = Annotated[
    OnValue | Annotated[tuple[OnValue, ...], Field(strict=False, min_length=1)] | None,
    Field(description="a value of the signal, a text of its value table, or a list of those"),
]
RawValues = Annotated[tuple[int, ...], Field(description="a list of raw values (whole numbers)", strict=False)]
Databases = str | Annotated[tuple[str, ...], Field(strict=False, min_length=1)]


class ConditionShape(Table):
    """The keys that say when a signal counts as on: none (not 0) or one of on, above and below."""

    on: OnValues = None
    above: Number = None
    below: Number = None
    off_below: Number = None
    off_above: Number = None
    unknown: RawValues = ()


class ControlShape(ConditionShape):
    """``[controls.NAME]``."""

    signal: Annotated[str, PATH]
    noticed: Annotated[str | None, PATH] = None
    min_exercises: Times = None
    wired: YesNo = False


WRITTEN_AS = {Rule: RULE, SignalReference: PATH, Condition: PATH}
"""How a plan writes what is looked up: as a text."""


def table_of(noun: type, *, base: type[Table] = Table, **more: Any) -> type[Table]:
    """Return the table of a plan with a key for each attribute of a noun but its name; only what must be there is."""
    keys: dict[str, Any] = {}
    hints = get_type_hints(noun, include_extras=True)
    for each in fields(noun):
        if each.name == "name":  # the NAME of [outputs.NAME]
            continue
        hint: Any = hints[each.name]
        texts = [WRITTEN_AS[kind] for kind in (hint, *get_args(hint)) if isinstance(kind, type) and kind in WRITTEN_AS]
        kind, *notes = (str, *texts) if texts else get_args(hint)
        is_needed = each.default is MISSING and each.default_factory is MISSING
        keys[each.name] = (Annotated[kind if is_needed else kind | None, *notes], ... if is_needed else None)
    return create_model(noun.__name__, __base__=base, __doc__=noun.__doc__, **more, **keys)


DATABASE = Field(
    description="the path of a database, relative to the plan, a list of paths, or a table of channels with the path of"
    " each"
)
BusTable: Any = table_of(
    Bus, database=(Annotated[Databases | Annotated[dict[str, Databases], Field(min_length=1)], DATABASE], ...)
)
ControllerTable: Any = table_of(Controller)
OutputTable: Any = table_of(Output, base=ConditionShape)


class PlanShape(Table):
    """The whole file."""

    title: Text = None
    min_exercises: Times = None
    bus: Annotated[BusTable, Field(description="a table [bus] with the key database")]
    controller: Annotated[ControllerTable, Field(description="a table [controller]")] = ControllerTable()
    controls: Annotated[
        dict[str, ControlShape],
        Field(description="a table [controls.NAME] for each control", json_schema_extra={"minProperties": 1}),
    ]
    outputs: Annotated[
        dict[str, OutputTable],
        Field(description="a table [outputs.NAME] for each output", json_schema_extra={"minProperties": 1}),
    ]


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of a plan, as read from its TOML."""
    return PlanShape.model_json_schema()
