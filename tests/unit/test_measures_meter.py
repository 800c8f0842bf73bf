"""Meter: readings against their limits, and meter and log together."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from canlens.measures.meter import DEFAULTS, judged_readings, meter_and_log
from canlens.nouns.bus import ErrorLedger
from canlens.plan import Reading, Readings
from canlens.plan.toml_readings import ReadingsShape

if TYPE_CHECKING:
    from canlens.nouns.bus import JudgedReading

CLEAN = ErrorLedger(0, 1000, "yes", "")
DEAF = ErrorLedger(0, 1000, "unknown", "")
BROKEN = ErrorLedger(12, 1000, "yes", "")


def judged(
    name: str, value: float, *, limit: tuple[float, float] | None = None, bit_rate: int | None = 500_000
) -> JudgedReading:
    return judged_readings(Readings("", {name: Reading(name, value, limit, "the maker")}), bit_rate=bit_rate)[0]


def together(ledger: ErrorLedger, frames: int = 1000, **values: float) -> str:
    readings = Readings("", {name: Reading(name, value) for name, value in values.items()})
    return " ".join(meter_and_log(judged_readings(readings, bit_rate=500_000), ledger, None, frames=frames))


def test_every_reading_that_can_be_given_has_a_default() -> None:
    assert set(DEFAULTS) == set(ReadingsShape.model_fields)


# Workshop manuals of several makers: 54 to 69 ohm with both terminators, 108 to 132 with one, above 1 kohm open, about
# 0 shorted; 120/3 = 40 and 120/4 = 30 by Ohm's law.
@pytest.mark.parametrize(
    ("ohm", "state", "severity", "words"),
    [
        (0.0, "odd", "failure", "shorted"),
        (1.9, "odd", "failure", "shorted"),
        (30.0, "odd", "warning", "four terminators"),
        (40.0, "odd", "warning", "three terminators"),
        (53.9, "odd", "warning", "leak"),
        (54.0, "fits", "note", "both terminators"),
        (59.3, "fits", "note", "both terminators"),  # ten nodes of 50 kohm beside 60 ohm
        (69.0, "fits", "note", "both terminators"),
        (69.1, "odd", "warning", "poor contact"),
        (108.0, "odd", "warning", "only one terminator"),
        (131.9, "odd", "warning", "only one terminator"),
        (132.0, "odd", "warning", "open on the way"),
        (1000.0, "odd", "failure", "no terminator"),
        (math.inf, "odd", "failure", "no terminator"),
    ],
)
def test_the_resistance_between_the_lines(ohm: float, state: str, severity: str, words: str) -> None:
    found = judged("h_l_ohm", ohm)
    assert (found.state, found.severity) == (state, severity)
    assert words in found.meaning


@pytest.mark.parametrize(
    ("name", "value", "state", "severity"),
    [
        ("h_ground_ohm", 1000.0, "fits", "note"),
        ("h_ground_ohm", 999.0, "odd", "warning"),
        ("l_ground_ohm", 3.0, "odd", "failure"),
        ("l_ground_ohm", math.inf, "fits", "note"),
        ("h_v", 2.6, "fits", "note"),
        ("h_v", 4.1, "odd", "failure"),
        ("h_v", 0.1, "odd", "warning"),
        ("l_v", 2.4, "fits", "note"),
        ("l_v", 0.4, "odd", "warning"),
        ("battery_v", 12.24, "fits", "note"),  # half charged, at rest
        ("battery_v", 12.0, "odd", "warning"),
        ("battery_v", 8.0, "odd", "failure"),
        ("battery_v", 16.1, "odd", "failure"),
        ("battery_v", 25.2, "fits", "note"),  # a vehicle of 24 V
        ("battery_v", 23.0, "odd", "warning"),
        ("ground_drop_v", 0.2, "fits", "note"),
        ("ground_drop_v", -0.6, "odd", "warning"),  # probes exchanged
        ("ground_drop_v", 1.5, "odd", "failure"),
        ("sleep_ma", 50.0, "fits", "note"),
        ("sleep_ma", 60.0, "odd", "note"),
        ("sleep_ma", 240.0, "odd", "warning"),
    ],
)
def test_the_other_readings(name: str, value: float, state: str, severity: str) -> None:
    found = judged(name, value)
    assert (found.state, found.severity) == (state, severity)
    assert found.source


def test_a_limit_of_the_user_stands_above_every_default() -> None:
    strict = judged("h_l_ohm", 66.0, limit=(56.0, 64.0))
    assert (strict.state, strict.severity, strict.source, strict.disagreement) == ("odd", "warning", "the maker", "")
    kind = judged("h_l_ohm", 118.0, limit=(100.0, 140.0))
    assert kind.state == "fits"
    assert judged("h_l_ohm", 64.0, limit=(56.0, 64.0)).state == "fits"


def test_disagreement_between_sources_is_told() -> None:
    assert "56 to 64" in judged("h_l_ohm", 118.0).disagreement
    assert "0.2 V" in judged("ground_drop_v", 0.4).disagreement
    assert "85 mA" in judged("sleep_ma", 60.0).disagreement


# ISO 11898-3: up to 125 kbit/s, no terminators of 120 ohm
@pytest.mark.parametrize(
    ("ohm", "bit_rate", "state"),
    [
        (500.0, 125_000, "ask"),
        (500.0, 125_001, "odd"),
        (500.0, None, "odd"),
        (60.0, 125_000, "fits"),
        (1.0, 125_000, "odd"),  # a short is one on every bus
    ],
)
def test_a_slow_bus_is_asked_about_and_not_judged(ohm: float, bit_rate: int | None, state: str) -> None:
    assert judged("h_l_ohm", ohm, bit_rate=bit_rate).state == state


def test_a_slow_bus_is_judged_by_a_limit_of_the_user() -> None:
    assert judged("h_l_ohm", 500.0, limit=(54.0, 69.0), bit_rate=83_333).state == "odd"


@pytest.mark.parametrize(
    ("ohm", "ledger", "frames", "words"),
    [
        (60.0, BROKEN, 1000, "both terminators are there, so the errors come from something else"),
        (60.0, CLEAN, 1000, "60 ohm between H and L and no errors in the log: nothing speaks against"),
        (120.0, CLEAN, 1000, "A bus can run like this without any error, so the log clears nothing"),
        (120.0, DEAF, 1000, "a log that cannot tell of errors"),
        (120.0, BROKEN, 1000, "12 error records: one terminator is not seen, and the bus has errors"),
        (1.0, CLEAN, 1000, "are not true at the same time"),
        (1.0, DEAF, 0, "a short between the lines explains both"),
        (60.0, DEAF, 0, "does not say whether a node is awake"),
        (math.inf, BROKEN, 1000, "An open line between H and L"),
    ],
)
def test_meter_and_log_say_what_each_can_tell(ohm: float, ledger: ErrorLedger, frames: int, words: str) -> None:
    assert words in together(ledger, frames, h_l_ohm=ohm)


def test_silence_and_current_are_told_apart() -> None:
    assert "no log shows who draws current while the bus is silent" in together(DEAF, 0, sleep_ma=240.0)
    assert together(DEAF, sleep_ma=20.0) == ""


def test_exchanged_wires_are_seen_by_their_levels() -> None:
    assert "may be exchanged" in together(CLEAN, h_v=2.2, l_v=2.8)
    assert "exchanged" not in together(CLEAN, h_v=2.8, l_v=2.2)
