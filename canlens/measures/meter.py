"""Meter: each reading against its limits with their sources, and what meter and log tell together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from canlens.nouns.bus import JudgedReading
from canlens.wording import counted

if TYPE_CHECKING:
    from canlens.nouns.bus import Attribution, ErrorLedger, ReadingState
    from canlens.plan import Reading, Readings


# Meter limits: the defaults for each reading, with their sources and what other sources say.
#
# Sources are workshop manuals of several vehicle makers, data sheets and standards; where they disagree the widest
# limit
# is the default and the disagreement is printed.


LOW_SPEED_BIT_RATE = 125_000
"""Fault-tolerant buses run at up to this [bit/s] (ISO 11898-3)."""
LOW_SPEED_WORDS = (
    "At up to 125 kbit/s this may be a fault-tolerant bus (ISO 11898-3), which has no terminators of 120 ohm and rests "
    "at about 0 V on H and 5 V on L: which kind of bus is it?"
)
SHORTED_OHM = 2.0
"""Below this the lines are shorted (workshop manuals)."""
TERMINATED_OHM = (54.0, 69.0)
"""Two terminators of 120 ohm side by side are 60 ohm; the widest limit that a workshop manual gives."""
ONE_TERMINATOR_OHM = (108.0, 132.0)
"""One terminator of 120 ohm, give or take a tenth (a workshop manual)."""
VOLTS_24 = 18.0
"""Above this a battery is taken for one of 24 V (ISO 16750-2: 12 V codes end at 16 V)."""

Severity = Literal["failure", "warning", "note"]


@dataclass(frozen=True)
class Stretch:
    """What values below ``below`` mean, and how grave they are where they are odd."""

    below: float
    meaning: str
    severity: Severity


@dataclass(frozen=True)
class Default:
    """Default limit of a reading.

    Attributes
    ----------
    unit, limit, source, disagreement
        As printed.
    stretches
        Meaning of the values, ascending; above the last one nothing is said.
    is_high_speed
        Whether it holds for high-speed buses (ISO 11898-2) only.
    is_magnitude
        Whether the sign says only how the probes were held.
    """

    unit: str
    limit: tuple[float, float]
    source: str
    disagreement: str
    stretches: tuple[Stretch, ...]
    is_high_speed: bool = False
    is_magnitude: bool = False
    of_24_volts: Default | None = None

    def for_value(self, value: float) -> Default:
        """Return the default that belongs to a value: a battery of 24 V has its own."""
        return self.of_24_volts if self.of_24_volts is not None and value > VOLTS_24 else self

    def meaning(self, value: float) -> str:
        """Say what a value means; empty where nothing is known."""
        return self._stretch(value).meaning

    def severity_of(self, value: float, *, has_own_limit: bool) -> Severity:
        """Say how grave an odd value is; by a limit of the user's own never less than a warning."""
        severity = self._stretch(value).severity
        return "warning" if has_own_limit and severity == "note" else severity

    def _stretch(self, value: float) -> Stretch:
        sized = abs(value) if self.is_magnitude else value
        return next((each for each in self.stretches if sized < each.below), self.stretches[-1])


def _through(value: float) -> float:
    """Return the bound of a stretch that holds this value too: the next number above."""
    return math.nextafter(value, math.inf)


TO_GROUND = Default(
    unit="ohm",
    limit=(1000.0, math.inf),
    source="workshop manuals: 1 kohm or more",
    disagreement="older books ask for 1 Mohm; the limit depends on the model",
    stretches=(
        Stretch(50.0, "shorted to ground", "failure"),
        Stretch(1000.0, "leaks to ground", "warning"),
        Stretch(math.inf, "no short to ground", "note"),
    ),
)
BATTERY_24 = Default(
    unit="V",
    limit=(24.48, 32.0),
    source="24 V: half charged is twice 12.24 V, and ISO 16750-2 (2010) lets supplies reach 32 V",
    disagreement="others call a battery weak below twice 12.4 V",
    stretches=(
        Stretch(20.0, "too low for most controllers", "failure"),
        Stretch(24.48, "less than half charged, or measured while cranking", "warning"),
        Stretch(_through(32.0), "within the usual range", "note"),
        Stretch(math.inf, "more than supplies are made for", "failure"),
    ),
)
DEFAULTS: dict[str, Default] = {
    "h_l_ohm": Default(
        unit="ohm",
        limit=TERMINATED_OHM,
        source="a workshop manual: 54 to 69 ohm; two terminators of 120 ohm side by side are 60",
        disagreement="others accept 55 to 65 or only 56 to 64 ohm; some networks have one central terminator",
        stretches=(
            Stretch(SHORTED_OHM, "the lines are shorted", "failure"),
            Stretch(36.0, "a leak between the lines, or four terminators and more", "warning"),
            Stretch(44.0, "about 40 ohm: three terminators, one too many", "warning"),
            Stretch(54.0, "a leak between the lines, or a terminator too many behind a long line", "warning"),
            Stretch(_through(TERMINATED_OHM[1]), "both terminators are seen", "note"),
            Stretch(108.0, "a poor contact on the way to a terminator", "warning"),
            Stretch(132.0, "about 120 ohm: only one terminator is seen", "warning"),
            Stretch(1000.0, "the line is open on the way to a terminator", "warning"),
            Stretch(math.inf, "no terminator is seen: line open, or both missing", "failure"),
        ),
        is_high_speed=True,
    ),
    "h_ground_ohm": TO_GROUND,
    "l_ground_ohm": TO_GROUND,
    "h_v": Default(
        unit="V",
        limit=(2.0, 4.0),
        source="transceiver data sheet: 2 to 3 V at rest; workshop manuals: 4 V and more is a short to supply",
        disagreement="a meter shows a mean that moves with the bus load; about 0 V means that the bus sleeps",
        stretches=(
            Stretch(1.0, "shorted to ground, or the bus sleeps", "warning"),
            Stretch(2.0, "lower than a bus at rest", "warning"),
            Stretch(_through(4.0), "between rest and sending", "note"),
            Stretch(math.inf, "shorted to supply", "failure"),
        ),
        is_high_speed=True,
    ),
    "l_v": Default(
        unit="V",
        limit=(1.0, 3.0),
        source="transceiver data sheet: 2 to 3 V at rest, lower while sending; workshop manuals: below 1 V is a short",
        disagreement="a meter shows a mean that moves with the bus load; about 0 V means that the bus sleeps",
        stretches=(
            Stretch(1.0, "shorted to ground, or the bus sleeps", "warning"),
            Stretch(_through(3.0), "between sending and rest", "note"),
            Stretch(4.0, "higher than a bus at rest", "warning"),
            Stretch(math.inf, "shorted to supply", "failure"),
        ),
        is_high_speed=True,
    ),
    "battery_v": Default(
        unit="V",
        limit=(12.24, 16.0),
        source="a half charged lead-acid battery rests at 12.24 V; ISO 16750-2 (2010) lets 12 V supplies reach 16 V",
        disagreement="others call a battery weak below 12.4 V; while cranking 10 V and even 8.5 V pass",
        stretches=(
            Stretch(9.0, "too low for most controllers (ISO 16750-2, code C, begins at 9 V)", "failure"),
            Stretch(12.24, "less than half charged, or measured while cranking", "warning"),
            Stretch(_through(16.0), "within the usual range", "note"),
            Stretch(math.inf, "more than supplies are made for", "failure"),
        ),
        of_24_volts=BATTERY_24,
    ),
    "ground_drop_v": Default(
        unit="V",
        limit=(0.0, 0.5),
        source="workshop manuals: above 0.5 V is suspicious",
        disagreement="the strictest asks for 0.2 V or less, the mildest begins at 1 V; the load must be on",
        stretches=(
            Stretch(_through(0.2), "a good ground under this load", "note"),
            Stretch(_through(0.5), "good by some makers, too much by others", "note"),
            Stretch(1.0, "a poor ground by most makers", "warning"),
            Stretch(math.inf, "a poor ground by every maker", "failure"),
        ),
        is_magnitude=True,
    ),
    "sleep_ma": Default(
        unit="mA",
        limit=(0.0, 50.0),
        source="workshop practice: up to 50 mA once everything sleeps",
        disagreement=(
            "others say 20 to 30, 35 or, for newer vehicles, up to 85 mA; one reckons the battery's reserve minutes "
            "divided by 4; a module may wake for a while, so take a mean over the whole time"
        ),
        stretches=(
            Stretch(_through(50.0), "what a sleeping vehicle draws", "note"),
            Stretch(_through(85.0), "too much by most sources", "note"),
            Stretch(math.inf, "too much by every source, if everything slept", "warning"),
        ),
        is_magnitude=True,
    ),
}
"""By the name of the reading."""


# Meter: each reading against its limits.
#
# The limits are the user's where given. The defaults here are the widest that a source names, because sources disagree;
# each says where it comes from and what others say. None of them is a limit of any vehicle.


def judged_readings(readings: Readings, *, bit_rate: int | None) -> tuple[JudgedReading, ...]:
    """Judge every reading.

    Parameters
    ----------
    readings
        As given.
    bit_rate
        Nominal bit rate of the bus [bit/s]; None: unknown. Up to 125 kbit/s the bus may be of the fault-tolerant kind
        (ISO 11898-3), which has no terminators of 120 ohm and other levels: there the default limits ask and do not
        judge.

    Returns
    -------
    tuple of JudgedReading
        In the order given.
    """
    return tuple(_judged(each, bit_rate) for each in readings.values.values())


def _judged(reading: Reading, bit_rate: int | None) -> JudgedReading:
    default = DEFAULTS[reading.name].for_value(reading.value)
    limit = reading.limit or default.limit
    value = abs(reading.value) if reading.limit is None and default.is_magnitude else reading.value
    state: ReadingState = "fits" if limit[0] <= value <= limit[1] else "odd"
    may_be_low_speed = default.is_high_speed and reading.limit is None and bit_rate is not None
    if state == "odd" and may_be_low_speed and (bit_rate or 0) <= LOW_SPEED_BIT_RATE and not _is_short(reading):
        state = "ask"
    if reading.limit is not None:
        source, disagreement = reading.source or "given with the reading", ""
    else:
        source, disagreement = default.source, default.disagreement
    return JudgedReading(
        name=reading.name,
        value=reading.value,
        unit=default.unit,
        limit=limit,
        source=source,
        state=state,
        meaning=LOW_SPEED_WORDS if state == "ask" else _meaning(reading, default, state),
        severity="note"
        if state != "odd"
        else default.severity_of(reading.value, has_own_limit=reading.limit is not None),
        disagreement=disagreement,
    )


def _is_short(reading: Reading) -> bool:
    """Tell whether lines are shorted, which is odd on a bus of any kind."""
    return reading.name == "h_l_ohm" and reading.value < SHORTED_OHM


def _meaning(reading: Reading, default: Default, state: ReadingState) -> str:
    """Say what a value means."""
    return default.meaning(reading.value) or ("within its limits" if state == "fits" else "outside its limits")


# Meter and log: what the two tell together, and what neither can.


def meter_and_log(
    readings: tuple[JudgedReading, ...],
    ledger: ErrorLedger | None,
    attribution: Attribution | None,
    *,
    frames: int,
) -> tuple[str, ...]:
    """Say what meter and log tell together, a sentence or two for each question.

    Parameters
    ----------
    readings
        As judged.
    ledger, attribution
        Of the log.
    frames
        Data and remote frames in the log.
    """
    by_name = {each.name: each for each in readings}
    found = []
    if (ohms := by_name.get("h_l_ohm")) is not None and ohms.state != "ask":
        found.append(_ohms_and_log(ohms.value, ledger, attribution, frames))
    high, low = by_name.get("h_v"), by_name.get("l_v")
    if high is not None and low is not None and "ask" not in {high.state, low.state} and high.value < low.value:
        found.append(
            f"H ({high.value:g} V) lies below L ({low.value:g} V): the two wires may be exchanged where this was "
            "measured."
        )
    if (current := by_name.get("sleep_ma")) is not None and current.state == "odd":
        seen = "the log shows when the bus was awake" if frames else "the log holds no frame"
        found.append(
            f"{current.value:g} mA at rest: {seen}, but no log shows who draws current while the bus is silent. "
            "Compare with the current before the install, measured over the same time."
        )
    return tuple(found)


def _ohms_and_log(ohms: float, ledger: ErrorLedger | None, attribution: Attribution | None, frames: int) -> str:
    """Say what the resistance between the lines and the log tell together."""
    shown = f"{ohms:g} ohm between H and L" if math.isfinite(ohms) else "An open line between H and L"
    if not frames:
        if ohms < SHORTED_OHM:
            return f"{shown} and no traffic: a short between the lines explains both."
        return f"{shown} and no traffic: the resistance does not say whether a node is awake and sends."
    if ohms < SHORTED_OHM:
        return f"{shown} and {frames} frames are not true at the same time: the short came later, or lies elsewhere."
    pointing = f" The log by itself: {attribution.sentence}" if attribution is not None else ""
    return f"{shown} and {_log_words(ledger)}: {_together(ohms, bool(ledger and ledger.frames))}{pointing}"


def _log_words(ledger: ErrorLedger | None) -> str:
    """Say what the log holds of errors."""
    if ledger is not None and ledger.frames:
        return f"{counted(ledger.frames, 'error record')}"
    if ledger is not None and ledger.recorded == "yes":
        return "no errors in the log"
    return "a log that cannot tell of errors"


def _together(ohms: float, has_errors: bool) -> str:  # noqa: FBT001 – one half of what is put together
    """Say what follows from a resistance that is no short, and from whether the log holds errors."""
    if TERMINATED_OHM[0] <= ohms <= TERMINATED_OHM[1]:
        if has_errors:
            return (
                "both terminators are there, so the errors come from something else. The meter sees the main line at "
                "rest; an open stub, a contact that moves or interference it does not see."
            )
        return "nothing speaks against the termination. A meter at rest does not prove a contact."
    if ONE_TERMINATOR_OHM[0] <= ohms <= ONE_TERMINATOR_OHM[1]:
        if has_errors:
            return "one terminator is not seen, and the bus has errors; spread over all senders they fit it."
        return "one terminator is not seen. A bus can run like this without any error, so the log clears nothing."
    return "judge the resistance by itself; the log can neither confirm nor clear it."
