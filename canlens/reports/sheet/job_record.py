"""The workshop's record of a hand-over: everything that was given and found, in the order of the work."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

from canlens import wording
from canlens.reports.facts import latency_words, limit_words, reading_words, rest_facts
from canlens.reports.headlines import verdict_sentence
from canlens.reports.page.assembling import page_environment
from canlens.reports.phrases import planned_words
from canlens.reports.sheet.customer_sheet import normal_behaviour
from canlens.reports.text_sections import by_severity
from canlens.results.form import version

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pydantic import BaseModel

    from canlens.job import JobDetails, StateShape
    from canlens.nouns.bus import JudgedReading
    from canlens.plan import Plan
    from canlens.results.check import CheckResult
    from canlens.results.handover import Manifest


READINGS = {
    "h_l_ohm": ("CAN H to CAN L", "ohm"),
    "h_ground_ohm": ("CAN H to ground", "ohm"),
    "l_ground_ohm": ("CAN L to ground", "ohm"),
    "h_v": ("CAN H, key on", "V"),
    "l_v": ("CAN L, key on", "V"),
    "battery_v": ("battery", "V"),
    "ground_drop_v": ("drop of the controller's ground", "V"),
    "sleep_ma": ("current while asleep", "mA"),
}
"""What each reading is, and its unit."""
LABELS = {
    "vin": "vehicle identification number",
    "fuse_a": "fuse, A",
    "wire_mm2": "wire, mm²",
    "stub_m": "stub, m",
    "bit_rate": "bit rate, bit/s",
    "configuration_sha256": "SHA-256 of the configuration",
}
"""Names of details that do not speak for themselves."""
PART = ("what", "part_number", "serial_number", "output", "fuse_a", "fuse_at", "wire_mm2", "note")


class Section(NamedTuple):
    """One part of the record: rows under column headings, or facts without them; and points."""

    heading: str
    head: tuple[str, ...] = ()
    rows: Sequence[tuple[str, ...]] = ()
    points: Sequence[str] = ()


def job_record(result: CheckResult, plan: Plan, manifest: Manifest, readings: Sequence[JudgedReading] = ()) -> str:
    """Write the workshop's record.

    Parameters
    ----------
    result
        What the check found.
    plan
        What the install is meant to do.
    manifest
        The inputs with their hashes, versions, the job's details, and what was not tested.
    readings
        The readings of ``--readings`` against their limits.

    Returns
    -------
    str
        HTML that needs nothing else; nothing in it is cut.
    """
    sections = [each for each in _sections(result, plan, manifest, readings) if each.rows or each.points]
    return (
        page_environment()
        .get_template("job_record.html")
        .render(
            title=result.title or "Hand-over",
            verdict=verdict_sentence(result),
            sections=sections,
            sign_off=manifest.sign_off,
        )
    )


def _sections(
    result: CheckResult, plan: Plan, manifest: Manifest, readings: Sequence[JudgedReading]
) -> Iterable[Section]:
    job = manifest.job
    if job is not None:
        yield Section("Job", rows=_facts(job))
        yield Section("Vehicle", rows=_facts(job.vehicle))
        yield Section("Before the work", rows=_state(job.before), points=[f"Code: {each}" for each in job.before.codes])
        yield Section("Where it joins the bus", rows=_facts(job.connection))
        yield Section("Controller", rows=_facts(job.controller))
        yield _parts(job)
        yield Section("After the work", rows=_state(job.after), points=[f"Code: {each}" for each in job.after.codes])
    yield Section(
        "Readings", ("reading", "value", "limit", "source of the limit"), [_reading(each) for each in readings]
    )
    head = ("output", "load", "planned", "seen", "answered", "latency, median / longest")
    yield Section("Outputs", head, _outputs(result, plan))
    yield Section("Awake and asleep", rows=[each for each in rest_facts(result.quiet) if each[1]])
    yield Section("Findings", points=_findings(result))
    if job is not None:
        yield Section("What was done about them", points=job.done)
    yield Section("Not tested", points=manifest.not_tested)
    yield Section("Normal behaviour, explained", points=normal_behaviour(plan, job))
    if job is not None:
        yield Section("Recorder", rows=_facts(job.recorder))
    yield Section("Files it rests on", ("file", "what", "bytes", "SHA-256"), _inputs(manifest))
    yield Section("Versions", rows=_versions(manifest))
    left_out = [f"{each.what}{f', met {each.count} times' if each.count else ''}" for each in manifest.left_out]
    yield Section("Left out, so that it does not tell which vehicle it is", points=left_out)


def _label(key: str) -> str:
    return LABELS.get(key, key.replace("_", " "))


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _facts(table: BaseModel) -> list[tuple[str, str]]:
    """Return the details of a table that were filled in, without those that are tables themselves."""
    values = [(name, getattr(table, name)) for name in type(table).model_fields]
    return [(_label(name), _value(value)) for name, value in values if isinstance(value, str | int | float | dt.date)]


def _state(state: StateShape) -> list[tuple[str, str]]:
    """Return the readings of before or after the work."""
    rows = []
    for name, (label, unit) in READINGS.items():
        given = getattr(state, name)
        if given is None:
            continue
        value = given if isinstance(given, float) else given.value
        text = reading_words(value, unit)
        if not isinstance(given, float) and given.limit is not None:
            source = f", {given.source}" if given.source else ""
            text += f" (limit {limit_words(given.limit, unit)}{source})"
        rows.append((label, text))
    return rows + [(key, text) for key, text in (("baseline", state.baseline), ("note", state.note)) if text]


def _parts(job: JobDetails) -> Section:
    """Return the parts, without columns in which nothing was filled in."""
    keys = [key for key in PART if any(getattr(part, key) is not None for part in job.parts.values())]
    rows = []
    for name, part in job.parts.items():
        values = [getattr(part, key) for key in keys]
        rows.append((name, *("–" if value is None else _value(value) for value in values)))
    return Section("Parts that were fitted", ("part", *map(_label, keys)), rows)


def _reading(each: JudgedReading) -> tuple[str, ...]:
    value, limit = reading_words(each.value, each.unit), limit_words(each.limit, each.unit)
    return (READINGS.get(each.name, (each.name, ""))[0], value, limit, each.source or "–")


def _outputs(result: CheckResult, plan: Plan) -> list[tuple[str, ...]]:
    return [
        (
            name,
            one.load or "–",
            planned_words(plan.outputs[name]),
            f"{wording.VERDICTS[one.verdict]}: {one.reason}",
            f"{one.answered} of {one.due}",
            f"{latency_words(one.latency_s)} ms",
        )
        for name, one in result.outputs.items()
    ]


def _findings(result: CheckResult) -> list[str]:
    told = []
    for each in by_severity(result.findings):
        safety = ", safety item" if each.safety else ""
        told.append(f"{wording.SEVERITIES[each.severity]}{safety}: {each.claim}")
    return told or ["None."]


def _inputs(manifest: Manifest) -> list[tuple[str, ...]]:
    return [
        (each.file, each.role, "–" if each.size is None else str(each.size), each.sha256 or "not hashed")
        for each in manifest.inputs
    ]


def _versions(manifest: Manifest) -> list[tuple[str, str]]:
    databases = [(f"database {each.file}", each.version or "names no version") for each in manifest.databases]
    return [("canlens", version()), ("Python", manifest.python), *manifest.libraries.items(), *databases]
