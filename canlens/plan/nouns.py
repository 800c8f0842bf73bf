"""The nouns of a plan: what the install is meant to do, what the person did, what meter and eye saw."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field

from canlens.plan.rule import Rule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Database, Message, SignalDefinition


MAX_BIT_RATE = 1_000_000
"""Bit/s; ISO 11898-2 (high-speed CAN): neither classical CAN nor the arbitration of CAN FD goes faster."""
MIN_BIT_RATE = 1_000
"""Bit/s; our choice: nothing on a road runs slower, and a smaller number is one in kbit/s."""
MAX_DATA_BIT_RATE = 8_000_000
"""Bit/s; the data phase of CAN FD with the fastest transceivers (CiA 601-4)."""

TEXT = Field(description="a text")
Text = Annotated[str | None, TEXT]
ControlName = Annotated[str | None, Field(description="the name of a control")]
Number = Annotated[float | None, Field(description="a number", allow_inf_nan=False)]
Positive = Annotated[float | None, Field(description="a number above 0", gt=0, allow_inf_nan=False)]
NOT_NEGATIVE = Field(description="a number, 0 or more", ge=0, allow_inf_nan=False)
NotNegative = Annotated[float | None, NOT_NEGATIVE]
YEAR_S = 365 * 86_400.0
SECONDS = Field(description="a time in seconds, above 0, a year at most", gt=0, le=YEAR_S, allow_inf_nan=False)
Seconds = Annotated[float | None, SECONDS]
SOME_SECONDS = Field(description="a time in seconds, 0 or more, a year at most", ge=0, le=YEAR_S, allow_inf_nan=False)
SomeSeconds = Annotated[float | None, SOME_SECONDS]
DAY_S = 86_400.0


def _limited(name: str, most: float) -> Any:
    """Return the field of a quantity that is above 0 and has a largest sensible value."""
    return Field(description=f"{name}, above 0, {most:g} at most", gt=0, le=most, allow_inf_nan=False)


Volts = Annotated[float | None, _limited("a voltage in volts", 100.0)]
Amps = Annotated[float | None, _limited("a current in amperes", 2_000.0)]
Hertz = Annotated[float | None, _limited("a frequency in hertz", 100.0)]
Timed = Annotated[float | None, _limited("a time in seconds", DAY_S)]
Ramp = Annotated[float | None, _limited("a time in seconds", 600.0)]
LONGEST_ANSWER_S = 10.0
"""Whoever writes more meant milliseconds, or another key [s]."""
ANSWER = Field(
    description=f"a time in seconds, above 0, {LONGEST_ANSWER_S:g} at most (did you mean 0.3 s?)",
    gt=0,
    le=LONGEST_ANSWER_S,
    allow_inf_nan=False,
)
Times = Annotated[int | None, Field(description="a whole number, 1 or more", ge=1)]
YesNo = Annotated[bool, Field(description="true or false")]
ControlNames = Annotated[tuple[str, ...], Field(description="a list of names of controls", strict=False)]
ClockOffsets = Annotated[
    dict[str, Annotated[float, Field(ge=-DAY_S, le=DAY_S, allow_inf_nan=False)]],
    Field(description="a table of channels, each with the seconds by which its clock is ahead, a day at most"),
]
BitRate = Annotated[
    int | None,
    Field(
        description=f"a whole number of bit/s (not kbit/s) from {MIN_BIT_RATE} to {MAX_BIT_RATE}",
        ge=MIN_BIT_RATE,
        le=MAX_BIT_RATE,
    ),
]
DataBitRate = Annotated[
    int | None,
    Field(
        description=f"a whole number of bit/s (not kbit/s) from {MIN_BIT_RATE} to {MAX_DATA_BIT_RATE}",
        ge=MIN_BIT_RATE,
        le=MAX_DATA_BIT_RATE,
    ),
]
Safety = Annotated[Literal["horn", "stop-lamp"] | None, Field(description="'horn' or 'stop-lamp'")]

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
    off_below, off_above
        Once on by ``above`` (``below``), off again only at this value; None: at the limit itself.
    unknown
        Raw values that say nothing.
    """

    reference: SignalReference
    on_values: tuple[float, ...] = ()
    on_raw: tuple[int, ...] = ()
    above: float | None = None
    below: float | None = None
    off_below: float | None = None
    off_above: float | None = None
    unknown: tuple[int, ...] = ()


@dataclass(frozen=True)
class Control:
    """What a person operates."""

    name: str
    condition: Condition
    noticed: Condition | None = None
    min_exercises: int | None = None
    wired: bool = False


TIMER_S, TIMER_SHARE, TIMER_HALF = 0.5, 0.05, 0.5
"""A timer may be wrong by so much [s] or by this share of its time (the plan format's default for run-on and cut-off),
one without a tolerance of its own never by more than half of it."""


def timer_tolerance_s(planned_s: float) -> float:
    """Return by how much a timer without a tolerance of its own may be wrong [s].

    Examples
    --------
    >>> timer_tolerance_s(0.8), timer_tolerance_s(2.0), timer_tolerance_s(60.0)
    (0.4, 0.5, 3.0)
    """
    return min(max(TIMER_S, TIMER_SHARE * planned_s), TIMER_HALF * planned_s)


@dataclass(frozen=True)
class Output:
    """One switched supply of the accessory controller; times [s], currents [A], level in its own unit.

    Attributes
    ----------
    latch
        Each operation toggles it.
    pulse_s
        On for this long at each operation, however long that lasts.
    min_on_s, delay_s
        Stays on at least this long; comes on only after its rule has lasted so long, and goes off at once.
    off_within_s, soft_s
        Goes off within this time; takes this long to fade in and out.
    retries
        So often may it drop out and return in one hold.
    self_switching
        Its load has a switch of its own.
    off_below_v
        May be off while the supply is below this.
    """

    name: str
    when: Rule
    load: Annotated[str, TEXT] = ""
    terminal: Annotated[str, TEXT] = ""
    safety: Safety = None
    command: Condition | None = None
    within_s: Annotated[float, ANSWER] = DEFAULT_WITHIN_S
    min_exercises: Times = None
    run_on_s: SomeSeconds = None
    run_on_tolerance_s: Annotated[float, SOME_SECONDS] = 0.0
    cut_after_s: Seconds = None
    cut_after_tolerance_s: Annotated[float, SOME_SECONDS] = 0.0
    level: SignalReference | None = None
    level_day: Number = None
    level_night: Number = None
    level_tolerance: Annotated[float, NOT_NEGATIVE] = 5.0
    night: ControlName = None
    flash_when: Rule | None = None
    flash_hz: Hertz = None
    flash_tolerance_hz: Annotated[float, NOT_NEGATIVE] = 0.0
    current: SignalReference | None = None
    voltage: SignalReference | None = None
    continuous_a: Amps = None
    peak_a: Amps = None
    peak_s: Seconds = None
    load_a: Amps = None
    latch: YesNo = False
    pulse_s: Timed = None
    min_on_s: Timed = None
    delay_s: Timed = None
    off_within_s: Ramp = None
    soft_s: Ramp = None
    retries: Annotated[int | None, Field(description="a whole number from 0 to 100", ge=0, le=100)] = None
    self_switching: YesNo = False
    off_below_v: Volts = None

    @property
    def shows_within_s(self) -> float:
        """Within which time it answers, its fading in included [s]."""
        return self.within_s + (self.soft_s or 0.0)

    @property
    def settles_s(self) -> float:
        """After which time a rule that came on must show, its delay included [s]."""
        return self.shows_within_s + (self.delay_s or 0.0) + timer_tolerance_s(self.delay_s or 0.0)

    @property
    def ends_within_s(self) -> float:
        """Within which time it goes off, its fading out included [s]."""
        return (self.off_within_s or self.within_s) + (self.soft_s or 0.0)


@dataclass(frozen=True)
class Controller:
    """The accessory controller on the bus."""

    node: Annotated[str | None, Field(description="a node of the databases")] = None
    supply: SignalReference | None = None
    supply_min_v: Volts = None
    start_s: Ramp = None
    lamp_test_s: Ramp = None

    @property
    def settles_s(self) -> float:
        """How long after it starts its outputs mean nothing [s]."""
        return (self.start_s or 0.0) + (self.lamp_test_s or 0.0)


@dataclass(frozen=True)
class Bus:
    """The bus the recording was made on; bit rates [bit/s].

    Attributes
    ----------
    match_pgn
        Messages with 29-bit identifiers are found by their J1939 parameter group number.
    may_wake
        Controls that may wake the bus.
    clock_offset_s
        By channel: how much its clock is ahead [s].
    """

    bit_rate: BitRate = None
    data_bit_rate: DataBitRate = None
    channel: Text = None
    awake_while: ControlName = None
    quiet_after_s: SomeSeconds = None
    match_pgn: YesNo = False
    may_wake: ControlNames = ()
    clock_offset_s: ClockOffsets = field(default_factory=dict)


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
