from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING

import jsonschema
import pytest

from canlens.errors import TableError
from canlens.job import JobDetails, identifying_texts, load_job, without_identity
from canlens.reports.schema import job_file_schema

if TYPE_CHECKING:
    from pathlib import Path

WHOLE = """
number = "17"
date = "spring"
customer = "Jo"
place = "yard"
fitted_by = "A"
checked_by = "B"
note = "kept"
done = ["Plug cleaned."]
explained = ["The radio stays on."]
not_tested = ["Rain."]
remove = ["x1"]
[vehicle]
kind = "tug"
registration = "AB 1"
vin = "V"
owner = "O"
fleet_number = "F"
serial_number = "S"
odometer = 10
odometer_unit = "h"
[controller]
model = "M"
serial_number = "S2"
firmware = "1"
configuration = "C"
configuration_sha256 = "%s"
configuration_file = "box.cfg"
[parts.relay]
what = "relay"
part_number = "P"
serial_number = "S3"
output = "siren"
fuse_a = 5
fuse_at = "battery"
wire_mm2 = 1.5
note = "n"
[connection]
connector = "c"
terminator_found = "t"
terminator_added = "none"
stub_m = 0.2
note = "n"
[before]
h_l_ohm = { value = 60, limit = [56, 64], source = "manual" }
battery_v = 12.6
codes = ["none"]
baseline = "before.baseline"
[after]
h_l_ohm = inf
codes = []
[recorder]
adapter = "a"
serial_number = "S4"
bit_rate = 125_000
listen_only = true
error_frames = false
""" % ("ab" * 32)


def _load(folder: Path, text: str) -> JobDetails:
    (folder / "job.toml").write_text(text, "utf-8")
    return load_job(folder / "job.toml")


def test_every_key_is_read(tmp_path: Path) -> None:
    details = _load(tmp_path, WHOLE)
    assert details.vehicle.registration == "AB 1"
    assert details.parts["relay"].fuse_a == 5
    assert details.before.battery_v == 12.6
    assert details.after.h_l_ohm == float("inf")
    assert details.recorder.listen_only is True


def test_an_empty_file_is_a_job_without_details(tmp_path: Path) -> None:
    assert _load(tmp_path, "") == JobDetails()


def test_what_identifies_the_vehicle_is_named_and_can_be_taken_out(tmp_path: Path) -> None:
    details = _load(tmp_path, WHOLE)
    keys = [key for key, _ in identifying_texts(details)]
    assert keys == [
        *("number", "date", "customer", "place", "fitted_by", "checked_by"),
        *("vehicle.registration", "vehicle.vin", "vehicle.owner", "vehicle.fleet_number", "vehicle.serial_number"),
        *("controller.serial_number", "parts.relay.serial_number", "recorder.serial_number", "remove"),
    ]
    bare, left_out = without_identity(details)
    assert set(left_out) == {*keys, "vehicle.odometer"}
    assert identifying_texts(bare) == []
    assert (bare.vehicle.kind, bare.vehicle.odometer, bare.parts["relay"].what) == ("tug", None, "relay")


def test_all_mistakes_are_told_at_once_with_close_names(tmp_path: Path) -> None:
    text = """
plce = "x"
[vehicle]
registration = 3
[parts.a]
wat = "x"
[before]
h_l_ohm = {value = 3, limit = [5, 1]}
[controller]
configuration_sha256 = "zz"
"""
    with pytest.raises(TableError) as raised:
        _load(tmp_path, text)
    told = {each.key: each for each in raised.value.mistakes}
    assert set(told) == {
        *("plce", "vehicle.registration", "parts.a.wat", "parts.a.what", "before.h_l_ohm.limit"),
        "controller.configuration_sha256",
    }
    assert told["plce"].close == ("place",)


def test_job_details_obey_their_schema_and_a_mistake_does_not() -> None:
    plain = json.loads(json.dumps(tomllib.loads(WHOLE.replace("= inf", "= 1")), default=str))
    jsonschema.validate(plain, job_file_schema())
    with pytest.raises(jsonschema.ValidationError, match="colour"):
        jsonschema.validate({"vehicle": {"colour": "red"}}, job_file_schema())


def test_the_schema_marks_what_is_redacted() -> None:
    definitions = job_file_schema()["$defs"]
    assert isinstance(definitions, dict)
    vehicle = definitions["VehicleShape"]
    assert isinstance(vehicle, dict)
    marked = [name for name, field in vehicle["properties"].items() if field.get("identifies")]  # type: ignore[union-attr]
    assert marked == ["registration", "vin", "owner", "fleet_number", "serial_number", "odometer"]
