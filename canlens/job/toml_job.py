"""Job details in TOML → :class:`canlens.job.JobDetails`; every mistake of the file is reported at once."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from canlens.errors import TableError
from canlens.job.details import JobDetails
from canlens.plan.mistakes import Mistakes
from canlens.plan.shaping import shaped
from canlens.plan.written import read_toml

if TYPE_CHECKING:
    from canlens.plan.written import File


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
