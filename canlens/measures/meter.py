"""Meter: each reading against its limits.

The limits are the user's where given. The defaults here are the widest that a source names, because sources disagree;
each says where it comes from and what others say. None of them is a limit of any vehicle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.bus_evidence import JudgedReading
from canlens.measures.meter_limits import DEFAULTS, LOW_SPEED_BIT_RATE, LOW_SPEED_WORDS, SHORTED_OHM, Default

if TYPE_CHECKING:
    from canlens.bus_evidence import ReadingState
    from canlens.plan import Reading, Readings


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
