"""The nouns of a plan: what the install is meant to do, what the person did, what meter and eye saw."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Database, Message, SignalDefinition
    from canlens.plan.rule import Rule


Safety = Literal["horn", "stop-lamp"]

DEFAULT_WITHIN_S = 0.5
"""Answer time where a plan names none; our choice: a person takes a few tenths of a second for "at once"."""
DEFAULT_MIN_EXERCISES = 3
"""Exercises of a control before an output is proven, where a plan names none (the plan format's default)."""
REST = "rest"
"""Label of a mark for a slot in which nothing was touched."""


@dataclass(frozen=True)
class SignalReference:
    """A signal of the plan's databases: its path ``MESSAGE.SIGNAL``, found there."""

    path: str
    message: Message
    definition: SignalDefinition


@dataclass(frozen=True)
class Condition:
    """When a signal counts as *on*: ``above``, ``below`` or ``on``; with none of them, while it is not 0.

    Attributes
    ----------
    reference
        The signal.
    on_values
        Scaled values that mean on; empty unless the plan says ``on = 3``.
    on_raw
        Raw values that mean on; empty unless the plan says ``on = "Pressed"`` (a text of the value table).
    above, below
        On while the scaled value is greater (less) than this; None if not used.
    unknown
        Raw values that say nothing.
    """

    reference: SignalReference
    on_values: tuple[float, ...] = ()
    on_raw: tuple[int, ...] = ()
    above: float | None = None
    below: float | None = None
    unknown: tuple[int, ...] = ()


@dataclass(frozen=True)
class Control:
    """What a person operates."""

    name: str
    condition: Condition
    noticed: Condition | None = None
    min_exercises: int | None = None


@dataclass(frozen=True)
class Output:
    """One switched supply of the accessory controller; times [s], currents [A], level in its own unit."""

    name: str
    when: Rule
    load: str = ""
    terminal: str = ""
    safety: Safety | None = None
    command: Condition | None = None
    within_s: float = DEFAULT_WITHIN_S
    min_exercises: int | None = None
    run_on_s: float | None = None
    run_on_tolerance_s: float = 0.0
    cut_after_s: float | None = None
    cut_after_tolerance_s: float = 0.0
    level: SignalReference | None = None
    level_day: float | None = None
    level_night: float | None = None
    level_tolerance: float = 5.0
    night: str | None = None
    flash_when: Rule | None = None
    flash_hz: float | None = None
    flash_tolerance_hz: float = 0.0
    current: SignalReference | None = None
    voltage: SignalReference | None = None
    continuous_a: float | None = None
    peak_a: float | None = None
    peak_s: float | None = None
    load_a: float | None = None


@dataclass(frozen=True)
class Controller:
    """The accessory controller on the bus."""

    node: str | None = None
    supply: SignalReference | None = None
    supply_min_v: float | None = None


@dataclass(frozen=True)
class Bus:
    """The bus the recording was made on; bit rates [bit/s].

    ``match_pgn``: messages with 29-bit identifiers are found by their J1939 parameter group number.
    """

    bit_rate: int | None = None
    data_bit_rate: int | None = None
    channel: str | None = None
    awake_while: str | None = None
    quiet_after_s: float | None = None
    match_pgn: bool = False


@dataclass(frozen=True)
class Plan:
    """What the install is meant to do, its database inside.

    Attributes
    ----------
    title, file
        As written; ``file`` is the plan's path as the user named it.
    database
        All databases of the plan as one.
    controls, outputs
        By name, in file order.
    min_exercises
        Of a control, before an output is proven, where neither control nor output says otherwise.
    """

    title: str
    file: str
    database: Database
    controls: dict[str, Control]
    outputs: dict[str, Output]
    bus: Bus = Bus()
    controller: Controller = Controller()
    min_exercises: int = DEFAULT_MIN_EXERCISES

    def exercises_needed(self, output: Output, control: str) -> int:
        """Return how many exercises prove the output: the output's word, the control's, or the plan's."""
        for number in (output.min_exercises, self.controls[control].min_exercises):
            if number is not None:
                return number
        return self.min_exercises


@dataclass(frozen=True)
class Mark:
    """What the person did at a time, by hand-noted or prompted stamp; ``label`` is a control or ``rest``."""

    time_s: float
    label: str
    until_s: float | None = None
    line: int = 0


@dataclass(frozen=True)
class Marks:
    """All marks of one file, sorted by time; ``file`` is its path as the user named it."""

    file: str = ""
    marks: tuple[Mark, ...] = ()

    def __iter__(self) -> Iterator[Mark]:
        return iter(self.marks)

    def __len__(self) -> int:
        return len(self.marks)


@dataclass(frozen=True)
class Observation:
    """What eye, ear or meter saw of an output; good to about half a second."""

    time_s: float
    output: str
    on: bool
    amps: float | None = None
    volts: float | None = None
    line: int = 0


@dataclass(frozen=True)
class Observed:
    """All observations of one file, sorted by time; ``file`` is its path as the user named it."""

    file: str = ""
    observations: tuple[Observation, ...] = ()

    def __iter__(self) -> Iterator[Observation]:
        return iter(self.observations)

    def __len__(self) -> int:
        return len(self.observations)


@dataclass(frozen=True)
class Reading:
    """One reading of the meter, with the limits that the user gave, if any, and where they come from."""

    name: str
    value: float
    limit: tuple[float, float] | None = None
    source: str = ""


@dataclass(frozen=True)
class Readings:
    """All readings of one job by name: ``h_l_ohm`` and the rest."""

    file: str = ""
    values: dict[str, Reading] = field(default_factory=dict)
