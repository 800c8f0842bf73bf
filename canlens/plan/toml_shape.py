"""The shape of a plan in TOML: which keys there are, and what each may hold.

The descriptions are phrases that also say, in a list of mistakes, what was expected. What a key means for
the judging stands at the nouns (:mod:`canlens.plan.nouns`).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

MAX_BIT_RATE = 1_000_000
"""Bit/s; ISO 11898-2 (high-speed CAN): neither classical CAN nor the arbitration of CAN FD goes faster."""
MIN_BIT_RATE = 1_000
"""Bit/s; our choice: nothing on a road runs slower, and a smaller number is one in kbit/s."""
MAX_DATA_BIT_RATE = 8_000_000
"""Bit/s; the data phase of CAN FD with the fastest transceivers (CiA 601-4)."""

Text = Annotated[str | None, Field(description="a text")]
Path = Annotated[str | None, Field(description="a signal of the databases, MESSAGE.SIGNAL")]
ControlName = Annotated[str | None, Field(description="the name of a control")]
RuleText = Annotated[str | None, Field(description="a rule: the names of controls, 'and', 'or', 'not' and parentheses")]
Number = Annotated[float | None, Field(description="a number", allow_inf_nan=False)]
Positive = Annotated[float | None, Field(description="a number above 0", gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float | None, Field(description="a number, 0 or more", ge=0, allow_inf_nan=False)]
YEAR_S = 365 * 86_400.0
Seconds = Annotated[
    float | None, Field(description="a time in seconds, above 0, a year at most", gt=0, le=YEAR_S, allow_inf_nan=False)
]
SomeSeconds = Annotated[
    float | None,
    Field(description="a time in seconds, 0 or more, a year at most", ge=0, le=YEAR_S, allow_inf_nan=False),
]
Times = Annotated[int | None, Field(description="a whole number, 1 or more", ge=1)]
OnValue = Annotated[float, Field(allow_inf_nan=False)] | str
OnValues = Annotated[
    OnValue | Annotated[tuple[OnValue, ...], Field(strict=False, min_length=1)] | None,
    Field(description="a value of the signal, a text of its value table, or a list of those"),
]
RawValues = Annotated[tuple[int, ...], Field(description="a list of raw values (whole numbers)", strict=False)]


Databases = str | Annotated[tuple[str, ...], Field(strict=False, min_length=1)]


class Table(BaseModel):
    """A table of the plan: every key is known, numbers are numbers, and nothing is converted."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class BusShape(Table):
    """``[bus]``."""

    database: Annotated[
        Databases | Annotated[dict[str, Databases], Field(min_length=1)],
        Field(
            description="the path of a database, relative to the plan, a list of paths, or a table"
            " of channels with the path of each"
        ),
    ]
    bit_rate: Annotated[
        int | None,
        Field(
            description=f"a whole number of bit/s (not kbit/s) from {MIN_BIT_RATE} to {MAX_BIT_RATE}",
            ge=MIN_BIT_RATE,
            le=MAX_BIT_RATE,
        ),
    ] = None
    data_bit_rate: Annotated[
        int | None,
        Field(
            description=f"a whole number of bit/s (not kbit/s) from {MIN_BIT_RATE} to {MAX_DATA_BIT_RATE}",
            ge=MIN_BIT_RATE,
            le=MAX_DATA_BIT_RATE,
        ),
    ] = None
    channel: Text = None
    awake_while: ControlName = None
    quiet_after_s: SomeSeconds = None
    match_pgn: Annotated[bool, Field(description="true or false")] = False


class ControllerShape(Table):
    """``[controller]``."""

    node: Annotated[str | None, Field(description="a node of the databases")] = None
    supply: Path = None
    supply_min_v: Positive = None


class ConditionShape(Table):
    """The keys that say when a signal counts as on: none (not 0) or one of on, above and below."""

    on: OnValues = None
    above: Number = None
    below: Number = None
    unknown: RawValues = ()


class ControlShape(ConditionShape):
    """``[controls.NAME]``."""

    signal: Annotated[str, Field(description="a signal of the databases, MESSAGE.SIGNAL")]
    noticed: Path = None
    min_exercises: Times = None


class OutputShape(ConditionShape):
    """``[outputs.NAME]``."""

    when: Annotated[str, Field(description="a rule: the names of controls, 'and', 'or', 'not' and parentheses")]
    load: Text = None
    terminal: Text = None
    safety: Annotated[Literal["horn", "stop-lamp"] | None, Field(description="'horn' or 'stop-lamp'")] = None
    command: Path = None
    within_s: Seconds = None
    min_exercises: Times = None
    run_on_s: SomeSeconds = None
    run_on_tolerance_s: SomeSeconds = None
    cut_after_s: Seconds = None
    cut_after_tolerance_s: SomeSeconds = None
    level: Path = None
    level_day: Number = None
    level_night: Number = None
    level_tolerance: NotNegative = None
    night: ControlName = None
    flash_when: RuleText = None
    flash_hz: Positive = None
    flash_tolerance_hz: NotNegative = None
    current: Path = None
    voltage: Path = None
    continuous_a: Positive = None
    peak_a: Positive = None
    peak_s: Seconds = None
    load_a: Positive = None


class PlanShape(Table):
    """The whole file."""

    title: Text = None
    min_exercises: Times = None
    bus: Annotated[BusShape, Field(description="a table [bus] with the key database")]
    controller: Annotated[ControllerShape, Field(description="a table [controller]")] = ControllerShape()
    controls: Annotated[
        dict[str, ControlShape],
        Field(description="a table [controls.NAME] for each control", json_schema_extra={"minProperties": 1}),
    ]
    outputs: Annotated[
        dict[str, OutputShape],
        Field(description="a table [outputs.NAME] for each output", json_schema_extra={"minProperties": 1}),
    ]


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of a plan, as read from its TOML."""
    return PlanShape.model_json_schema()
