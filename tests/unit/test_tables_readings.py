"""Readings of the meter: numbers, or tables with a limit and its source."""

from __future__ import annotations

import math
import tomllib
from typing import TYPE_CHECKING

import jsonschema
import pytest

from canlens.errors import Mistake, TableError
from canlens.plan import Reading, Readings, read_readings, readings_schema

if TYPE_CHECKING:
    from pathlib import Path

ALL = """
h_l_ohm = {value = 61.5, limit = [54, 66], source = "our own sheet"}
h_ground_ohm = inf
l_ground_ohm = 4_700
h_v = 2.6
l_v = 2.4
[battery_v]
value = 12.4
limit = [12, 14.8]
[ground_drop_v]
value = -0.02
[sleep_ma]
value = 18
"""
LONG = "or {value = ..., limit = [least, greatest], source = ...}"
OHMS = f"a resistance in ohms, 0 or more ('inf' where the meter shows an open line), {LONG}"
VOLTS = f"a voltage in volts, {LONG}"


def readings_of(folder: Path, content: str) -> Readings:
    file = folder / "meter.toml"
    file.write_text(content, encoding="utf-8")
    return read_readings(file)


def mistakes_of(folder: Path, content: str) -> tuple[Mistake, ...]:
    with pytest.raises(TableError) as caught:
        readings_of(folder, content)
    assert caught.value.file == str(folder / "meter.toml")
    return caught.value.mistakes


def test_all_readings_are_read(tmp_path: Path) -> None:
    readings = readings_of(tmp_path, ALL)
    assert readings.file == str(tmp_path / "meter.toml")
    assert list(readings.values.values()) == [
        Reading("h_l_ohm", 61.5, (54.0, 66.0), "our own sheet"),
        Reading("h_ground_ohm", math.inf),
        Reading("l_ground_ohm", 4700.0),
        Reading("h_v", 2.6),
        Reading("l_v", 2.4),
        Reading("battery_v", 12.4, (12.0, 14.8)),
        Reading("ground_drop_v", -0.02),
        Reading("sleep_ma", 18.0),
    ]
    assert list(readings.values) == [reading.name for reading in readings.values.values()]


@pytest.mark.parametrize(
    ("line", "mistake"),
    [
        ("h_l_ohm = -1", Mistake("h_l_ohm", OHMS, "-1")),
        ("h_l_ohm = nan", Mistake("h_l_ohm", OHMS, "nan")),
        ("h_l_ohm = true", Mistake("h_l_ohm", OHMS, "true")),
        ('h_l_ohm = "60"', Mistake("h_l_ohm", OHMS, "'60'")),
        ("h_l_ohm = [60]", Mistake("h_l_ohm", OHMS, "a list")),
        ("h_v = inf", Mistake("h_v", VOLTS, "inf")),
        ("sleep_ma = -3", Mistake("sleep_ma", f"a current in milliamperes, 0 or more, {LONG}", "-3")),
        ("h_l_om = 60", Mistake("h_l_om", "a key that is known here", "the key 'h_l_om'", ("h_l_ohm",))),
        ("h_v = {}", Mistake("h_v.value", "a voltage in volts", "nothing")),
        ("h_v = {value = 2, limit = [3, 2]}", Mistake("h_v.limit", "two numbers, [least, greatest]", "[3, 2]")),
        ("h_v = {value = 2, limit = [3]}", Mistake("h_v.limit", "two numbers, [least, greatest]", "a list")),
        ("h_v = {value = 2, limit = [1, 2, 3]}", Mistake("h_v.limit", "two numbers, [least, greatest]", "a list")),
        ("h_v = {value = 2, limit = [1, nan]}", Mistake("h_v.limit", "two numbers, [least, greatest]", "[1, nan]")),
        ("h_v = {value = 2, limit = 3}", Mistake("h_v.limit", "two numbers, [least, greatest]", "3")),
        ("h_v = {value = 2, source = 3}", Mistake("h_v.source", "a text", "3")),
        (
            "h_v = {value = 2, limt = [1, 2]}",
            Mistake("h_v.limt", "a key that is known here", "the key 'limt'", ("limit",)),
        ),
        ("h_l_ohm = {value = nan}", Mistake("h_l_ohm.value", "a resistance in ohms, 0 or more, or inf", "nan")),
    ],
)
def test_a_wrong_reading_is_named_with_its_key(tmp_path: Path, line: str, mistake: Mistake) -> None:
    assert mistakes_of(tmp_path, f"l_v = 2.4\n{line}\n") == (mistake,)


def test_all_mistakes_are_listed_in_file_order(tmp_path: Path) -> None:
    content = 'sleep_ma = "few"\nvolts = 3\n[h_v]\nlimit = [2, true]\n[h_l_ohm]\nvalue = 60\nlimit = [66, 54]\n'
    assert [mistake.key for mistake in mistakes_of(tmp_path, content)] == [
        "sleep_ma",
        "volts",
        "h_v.limit",
        "h_v.value",
        "h_l_ohm.limit",
    ]


def test_a_file_without_a_reading_is_a_mistake(tmp_path: Path) -> None:
    (mistake,) = mistakes_of(tmp_path, "# not yet measured\n")
    assert (mistake.key, mistake.found) == ("the file", "no reading")
    assert mistake.expected.startswith("one or more of h_l_ohm, h_ground_ohm")


def test_what_is_not_toml_is_named_with_its_line(tmp_path: Path) -> None:
    (mistake,) = mistakes_of(tmp_path, "h_v = 2.6\nl_v = 2,4\n")
    assert mistake.key == "line 2, column 8"
    assert mistake.expected == "valid TOML"


def test_good_readings_fit_the_published_schema() -> None:
    schema = jsonschema.Draft202012Validator(readings_schema())
    data = tomllib.loads(ALL)
    assert schema.is_valid(data)
    assert not schema.is_valid({**data, "h_l_ohm": -1})
    assert not schema.is_valid({**data, "volts": 1})
