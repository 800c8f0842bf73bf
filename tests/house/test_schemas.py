"""The published JSON Schemas are those that the classes give, and what is written obeys them.

``python -m tests.house.test_schemas`` writes the schemas anew.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import jsonschema
import pytest

import canlens
from canlens.reports.data_files import json_bytes
from canlens.reports.schema import SCHEMAS, check_schema, plan_file_schema, readings_file_schema
from canlens.results.check import LatencyResult, to_dict
from tests.unit import sample_results as sample

if TYPE_CHECKING:
    from canlens.results.check import CheckResult
    from canlens.results.form import Json

FOLDER = Path(canlens.__file__).parent / "schemas"


def _toml(path: Path) -> dict[str, object]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(json.loads((FOLDER / "check-1.json").read_bytes()))


def _several(result: CheckResult) -> CheckResult:
    two = replace(sample.RECORDING, file="second.log", channels=("can0", "can1"))
    return replace(result, recordings=(sample.RECORDING, two), buses={"can0": sample.BUS, "can1": sample.BUS})


@pytest.mark.parametrize("name", SCHEMAS)
def test_the_published_schema_is_what_the_classes_give(name: str) -> None:
    assert (FOLDER / name).read_bytes() == json_bytes(SCHEMAS[name]()), (
        "write the schemas anew: python -m tests.house.test_schemas"
    )


def test_no_schema_is_published_without_its_generator() -> None:
    assert {path.name for path in FOLDER.iterdir() if path.suffix == ".json"} == set(SCHEMAS)


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_published_schema_obeys_the_rules_of_its_dialect(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMAS[name]())


@pytest.mark.parametrize("result", [sample.FAILED, sample.PROVEN, sample.NOT_PROVEN, _several(sample.FAILED)])
def test_what_is_written_obeys_the_published_schema(result: CheckResult) -> None:
    _validator().validate(json.loads(json_bytes(to_dict(result))))


def test_numbers_that_are_not_finite_obey_the_schema_as_null() -> None:
    endless = replace(sample.proven(), latency_s=LatencyResult(median=0.1, max=float("inf")))
    _validator().validate(to_dict(replace(sample.PROVEN, outputs={"siren": endless})))


PLANS = sorted(path for path in (FOLDER.parents[1] / "traces").glob("*.toml") if "outputs" in _toml(path))


@pytest.mark.parametrize("plan", PLANS, ids=lambda path: path.stem)
def test_a_plan_that_is_read_obeys_its_schema(plan: Path) -> None:
    jsonschema.validate(_toml(plan), plan_file_schema())


def test_readings_obey_their_schema_and_a_mistake_does_not() -> None:
    # the two forms of a reading that the format knows: a number, or a table with a limit and its source
    readings = {"battery_v": 12.6, "h_l_ohm": {"value": 118, "limit": [56, 64], "source": "workshop manual"}}
    jsonschema.validate(readings, readings_file_schema())
    with pytest.raises(jsonschema.ValidationError, match="battery_volts"):
        jsonschema.validate({"battery_volts": 12.6}, readings_file_schema())


def test_the_schema_of_plans_refuses_an_unknown_key() -> None:
    plan = {**_toml(PLANS[0]), "color": "red"}
    with pytest.raises(jsonschema.ValidationError, match="color"):
        jsonschema.validate(plan, plan_file_schema())


def _written() -> dict[str, Json]:
    return to_dict(sample.FAILED)


def test_the_schema_refuses_a_form_without_recordings() -> None:
    document = _written()
    del document["recording"]
    assert not _validator().is_valid(document)


def test_the_schema_refuses_both_recording_and_recordings() -> None:
    document = _written()
    document["recordings"] = [document["recording"], document["recording"]]
    assert not _validator().is_valid(document)


@pytest.mark.parametrize("key", ["schema", "canlens", "verdict", "bus", "controls", "outputs", "findings", "causes"])
def test_the_schema_refuses_a_form_that_lacks_a_key(key: str) -> None:
    document = _written()
    del document[key]
    assert not _validator().is_valid(document)


def test_the_schema_refuses_an_unknown_verdict() -> None:
    assert not _validator().is_valid({**_written(), "verdict": "passed"})


def test_the_schema_knows_all_nine_links() -> None:
    definitions = check_schema()["$defs"]
    assert isinstance(definitions, dict)
    document = json.loads(json_bytes(_written()))
    del document["outputs"]["siren"]["links"]["load"]
    assert not _validator().is_valid(document)


if __name__ == "__main__":
    for file, schema in SCHEMAS.items():
        (FOLDER / file).write_bytes(json_bytes(schema()))
