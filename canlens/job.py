"""Job details: whose vehicle, which parts, how it was recorded; what a hand-over says besides what was measured."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 – the schema is made from the annotations
import os
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from pydantic import BaseModel, Field

from canlens.errors import TableError
from canlens.plan.nouns import NotNegative, Positive, Text  # noqa: TC001 – the schema is made from the annotations
from canlens.plan.shape import Table, shaped
from canlens.plan.toml_readings import ReadingsShape
from canlens.plan.written import Mistakes, read_toml

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.plan.written import File


# The shape of the job details: which keys there are, what each may hold, and which of them tell whose vehicle it is.
#
# The descriptions are phrases that also say, in a list of mistakes, what was expected.


Shape = TypeVar("Shape", bound=BaseModel)

IDENTIFIES = "identifies"
"""Mark of a field that tells which vehicle it is, whose it is, or when and by whom the work was done."""

Private = Annotated[str | None, Field(description="a text", json_schema_extra={IDENTIFIES: True})]
Texts = Annotated[tuple[str, ...], Field(description="a list of texts", strict=False)]
YesNo = Annotated[bool | None, Field(description="true or false")]
Sha256 = Annotated[str | None, Field(description="a SHA-256 in 64 hexadecimal digits", pattern=r"^[0-9a-fA-F]{64}$")]


class VehicleShape(Table):
    """``[vehicle]``: what was worked on; only ``kind`` survives a redaction."""

    kind: Text = None
    registration: Private = None
    vin: Private = None
    owner: Private = None
    fleet_number: Private = None
    serial_number: Private = None
    odometer: Annotated[
        float | None,
        Field(description="a number, 0 or more", ge=0, allow_inf_nan=False, json_schema_extra={IDENTIFIES: True}),
    ] = None
    odometer_unit: Text = None


class ControllerDetails(Table):
    """``[controller]``: the accessory controller, and the configuration that was in it."""

    model: Text = None
    serial_number: Private = None
    firmware: Text = None
    configuration: Text = None
    configuration_sha256: Sha256 = None
    configuration_file: Annotated[str | None, Field(description="the path of a file, relative to the job details")] = (
        None
    )


class PartShape(Table):
    """``[parts.NAME]``: something that was fitted."""

    what: Annotated[str, Field(description="a text that says what it is")]
    part_number: Text = None
    serial_number: Private = None
    output: Text = None
    fuse_a: Positive = None
    fuse_at: Text = None
    wire_mm2: Positive = None
    note: Text = None


class ConnectionShape(Table):
    """``[connection]``: where the controller joins the bus."""

    connector: Text = None
    terminator_found: Text = None
    terminator_added: Text = None
    stub_m: NotNegative = None
    note: Text = None


class StateShape(ReadingsShape):
    """``[before]`` and ``[after]``: what meter and diagnosis said; the keys of readings, and three more."""

    codes: Texts = ()
    note: Text = None
    baseline: Annotated[
        str | None, Field(description="the path of a recording or baseline, relative to the job details")
    ] = None


class RecorderShape(Table):
    """``[recorder]``: how the recording was made."""

    adapter: Text = None
    serial_number: Private = None
    firmware: Text = None
    software: Text = None
    bit_rate: Annotated[int | None, Field(description="a whole number of bit/s, above 0", gt=0)] = None
    listen_only: YesNo = None
    error_frames: YesNo = None
    note: Text = None


class JobDetails(Table):
    """The whole file."""

    number: Private = None
    date: Annotated[
        dt.date | str | None,
        Field(description="a date, such as 2026-03-09", json_schema_extra={IDENTIFIES: True}),
    ] = None
    customer: Private = None
    place: Private = None
    fitted_by: Private = None
    checked_by: Private = None
    note: Text = None
    vehicle: Annotated[VehicleShape, Field(description="a table [vehicle]")] = VehicleShape()
    controller: Annotated[ControllerDetails, Field(description="a table [controller]")] = ControllerDetails()
    parts: Annotated[dict[str, PartShape], Field(description="a table [parts.NAME] for each part")] = Field(
        default_factory=dict
    )
    connection: Annotated[ConnectionShape, Field(description="a table [connection]")] = ConnectionShape()
    before: Annotated[StateShape, Field(description="a table [before]")] = StateShape()
    after: Annotated[StateShape, Field(description="a table [after]")] = StateShape()
    recorder: Annotated[RecorderShape, Field(description="a table [recorder]")] = RecorderShape()
    done: Texts = ()
    explained: Texts = ()
    not_tested: Texts = ()
    remove: Annotated[
        tuple[str, ...],
        Field(description="a list of texts", strict=False, json_schema_extra={IDENTIFIES: True}),
    ] = ()


def identifying_texts(details: JobDetails) -> list[tuple[str, str]]:
    """Return what tells whose vehicle it is: the key of each field, and what stands there.

    Numbers are left out: they may stand anywhere by chance, so they are removed where they stand, not searched for.
    """
    told: list[tuple[str, str]] = []
    for key, value in _identifying(details):
        texts = value if isinstance(value, tuple) else (value,)
        told += [(key, str(each)) for each in texts if not isinstance(each, float) and str(each).strip()]
    return told


def without_identity(details: JobDetails) -> tuple[JobDetails, tuple[str, ...]]:
    """Return the details without what identifies the vehicle, and the keys that were left out."""
    return _stripped(details), tuple(key for key, _ in _identifying(details))


def _stripped(shape: Shape) -> Shape:
    update: dict[str, Any] = {}
    for name, info in type(shape).model_fields.items():
        value = getattr(shape, name)
        if _identifies(info.json_schema_extra):
            update[name] = info.get_default()
        elif isinstance(value, BaseModel):
            update[name] = _stripped(value)
        elif isinstance(value, dict):
            update[name] = {key: _stripped(each) for key, each in value.items()}
    return shape.model_copy(update=update)


def _identifying(shape: BaseModel, above: str = "") -> Iterator[tuple[str, object]]:
    """Yield key and value of each identifying field that is filled in."""
    for name, info in type(shape).model_fields.items():
        value = getattr(shape, name)
        key = f"{above}{name}"
        if _identifies(info.json_schema_extra):
            if value not in (None, ()):
                yield key, value
        elif isinstance(value, BaseModel):
            yield from _identifying(value, f"{key}.")
        elif isinstance(value, dict):
            for part, each in value.items():
                yield from _identifying(each, f"{key}.{part}.")


def _identifies(extra: object) -> bool:
    return isinstance(extra, dict) and extra.get(IDENTIFIES) is True


# Job details in TOML → :class:`canlens.job.JobDetails`; every mistake of the file is reported at once.


def load_job(file: File) -> JobDetails:
    """Read the details of a job.

    Parameters
    ----------
    file
        TOML in UTF-8; every key may be left out. ``[before]`` and ``[after]`` take the keys of readings.

    Raises
    ------
    TableError
        The file has mistakes; all of them are listed with their keys.
    """
    data = read_toml(file, TableError, kind="job details")
    mistakes = Mistakes(os.fspath(file), data)
    details = shaped(data, JobDetails, mistakes)
    for state in ("before", "after"):
        _check_limits(state, getattr(details, state), mistakes)
    mistakes.raise_any(TableError)
    return details


def job_schema() -> dict[str, Any]:
    """Return the JSON Schema of job details, as read from their TOML."""
    return JobDetails.model_json_schema()


def _check_limits(state: str, shape: object, mistakes: Mistakes) -> None:
    """Note a reading whose limits stand the wrong way round."""
    for name, value in vars(shape).items():
        limit = getattr(value, "limit", None)
        if limit is not None and not limit[0] <= limit[1]:
            low, high = limit
            mistakes.add((state, name, "limit"), "two numbers, [least, greatest]", f"[{low:g}, {high:g}]")


# Job details: whose vehicle, which parts, how it was recorded; what a hand-over says besides what was measured.


__all__ = ["JobDetails", "identifying_texts", "job_schema", "load_job", "without_identity"]
