"""JSON Schemas of the written forms, generated from the classes whose fields are their keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from pydantic import TypeAdapter

from canlens.job import job_schema
from canlens.plan import plan_schema, readings_schema
from canlens.results.check import CHECK_SCHEMA, LINKS, CheckResult
from canlens.results.compare import COMPARE_SCHEMA, ComparisonResult
from canlens.results.discover import DISCOVER_SCHEMA, DiscoveryResult
from canlens.results.form import form_of
from canlens.results.handover import HANDOVER_SCHEMA, Manifest
from canlens.results.survey import SURVEY_SCHEMA, SurveyResult

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from canlens.results.form import Json

    Change = Callable[[dict[str, Json]], dict[str, Json]]


JOB_SCHEMA = "canlens/job/1"
PLAN_SCHEMA = "canlens/plan/1"
READINGS_SCHEMA = "canlens/readings/1"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def check_schema() -> dict[str, Json]:
    """Return the JSON Schema of what ``canlens check --json`` writes.

    More keys may be added under the same name of the form; those here stay.
    """
    schema = _tidy(TypeAdapter(form_of(CheckResult)).json_schema(mode="serialization"))
    definitions = _object(schema["$defs"])
    parts = _object(schema["properties"])
    recordings = {**_object(parts.pop("recordings")), "minItems": 2}
    parts = {"recording": {"$ref": "#/$defs/RecordingResult"}, "recordings": recordings, **parts}
    _state_links(_object(definitions["OutputResult"]))
    _leave_out_recording(definitions)
    form = _form(CHECK_SCHEMA, {**schema, "properties": parts}, optional={"recording", "recordings", "buses"})
    form.pop("$defs")
    return {**form, "oneOf": [{"required": ["recording"]}, {"required": ["recordings"]}], "$defs": definitions}


def survey_schema() -> dict[str, Json]:
    """Return the JSON Schema of what ``canlens survey --json`` writes; as with a check, more keys may be added."""
    schema = _tidy(TypeAdapter(form_of(SurveyResult)).json_schema(mode="serialization"))
    _leave_out_recording(_object(schema["$defs"]))
    return _form(SURVEY_SCHEMA, schema, optional={"buses"})


def compare_schema() -> dict[str, Json]:
    """Return the JSON Schema of what ``canlens compare --json`` writes; as with a check, more keys may be added."""
    return _form(COMPARE_SCHEMA, _tidy(TypeAdapter(ComparisonResult).json_schema(mode="serialization")))


def discover_schema() -> dict[str, Json]:
    """Return the JSON Schema of what ``canlens discover --json`` writes; as with a check, more keys may be added."""
    return _form(DISCOVER_SCHEMA, _tidy(TypeAdapter(form_of(DiscoveryResult)).json_schema(mode="serialization")))


def plan_file_schema() -> dict[str, Json]:
    """Return the JSON Schema of a plan, for editors that complete and check TOML."""
    schema = _without_null(cast("dict[str, Json]", plan_schema()))
    return {"$schema": DIALECT, "title": PLAN_SCHEMA, **schema}


def job_file_schema() -> dict[str, Json]:
    """Return the JSON Schema of job details; ``identifies`` marks what a redaction takes out."""
    schema = _without_null(cast("dict[str, Json]", job_schema()))
    return {"$schema": DIALECT, "title": JOB_SCHEMA, **schema}


def handover_schema() -> dict[str, Json]:
    """Return the JSON Schema of the manifest of a hand-over; as with a check, more keys may be added."""
    schema = _tidy(TypeAdapter(form_of(Manifest)).json_schema(mode="serialization"))
    job = job_file_schema()
    definitions = {**_object(schema["$defs"]), **_object(job["$defs"])}
    definitions["JobDetails"] = {key: job[key] for key in ("type", "properties", "additionalProperties")}
    return _form(HANDOVER_SCHEMA, {**schema, "$defs": definitions})


def readings_file_schema() -> dict[str, Json]:
    """Return the JSON Schema of a file of readings."""
    schema = _without_null(cast("dict[str, Json]", readings_schema()))
    return {"$schema": DIALECT, "title": READINGS_SCHEMA, **schema}


SCHEMAS = {
    "check-1.json": check_schema,
    "compare-1.json": compare_schema,
    "discover-1.json": discover_schema,
    "handover-1.json": handover_schema,
    "job-1.json": job_file_schema,
    "plan-1.json": plan_file_schema,
    "readings-1.json": readings_file_schema,
    "survey-1.json": survey_schema,
}
"""The published schemas by file name."""


def _form(name: str, schema: dict[str, Json], *, optional: Collection[str] = ()) -> dict[str, Json]:
    """Return the schema of a written form: the fields of its class behind its name and the program's version."""
    properties: dict[str, Json] = {
        "schema": {"const": name},
        "canlens": {"type": "string", "description": "Version of the program that wrote it."},
        **_object(schema["properties"]),
    }
    return {
        "$schema": DIALECT,
        "title": name,
        "description": schema["description"],
        "type": "object",
        "properties": properties,
        "required": [key for key in properties if key not in optional],
        "$defs": schema["$defs"],
    }


def _leave_out_recording(definitions: dict[str, Json]) -> None:
    """Require only lines and times of a finding's lines: the recording is told where there are several."""
    _object(definitions["Lines"])["required"] = ["lines", "times_s"]


def _object(value: Json) -> dict[str, Json]:
    return cast("dict[str, Json]", value)


def _changed_inside(schema: dict[str, Json], change: Change, *, without: Collection[str]) -> dict[str, Json]:
    """Return a schema without some keys, and with every schema that stands inside it changed."""
    changed: dict[str, Json] = {}
    for key, value in schema.items():
        if key in without:
            continue
        if key in {"properties", "$defs"}:
            changed[key] = {name: change(_object(each)) for name, each in _object(value).items()}
        elif isinstance(value, dict):
            changed[key] = change(value)
        elif isinstance(value, list):
            changed[key] = [change(each) if isinstance(each, dict) else each for each in value]
        else:
            changed[key] = value
    return changed


def _without_null(schema: dict[str, Json]) -> dict[str, Json]:
    """Leave out titles, defaults and null: a key of a TOML file is there or not."""
    plain = _changed_inside(schema, _without_null, without={"title", "default"})
    for key, value in plain.items():
        if isinstance(value, list):
            plain[key] = [each for each in value if each != {"type": "null"}]
    choices = plain.get("anyOf")
    if isinstance(choices, list) and len(choices) == 1:
        del plain["anyOf"]
        plain.update(_object(choices[0]))
    return plain


def _state_links(output: dict[str, Json]) -> None:
    """Name the nine links, which the class holds as a mapping."""
    properties = _object(output["properties"])
    state = _object(properties["links"])["additionalProperties"]
    properties["links"] = {"type": "object", "properties": dict.fromkeys(LINKS, state), "required": list(LINKS)}
    properties["first_broken_link"] = {"enum": [*LINKS, None]}


def _tidy(schema: dict[str, Json]) -> dict[str, Json]:
    """Leave out what says nothing, keep the first part of descriptions and require every key."""
    tidy = _changed_inside(schema, _tidy, without={"title", "default", "required"})
    if isinstance(told := tidy.get("description"), str):
        tidy["description"] = " ".join(told.partition("\n\n")[0].split())
    if "properties" in tidy:
        tidy["required"] = list(_object(tidy["properties"]))
    return tidy
