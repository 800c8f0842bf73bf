"""Where the sample job lies, and how it gets into a folder of the user."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.whole_files import require_empty, write_into

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable


@dataclass(frozen=True)
class SampleRecording:
    """One recording of the sample job: what it is, its file, and the file that tells what it must show."""

    title: str
    log: str
    origin: str


PLAN = "traces/quernholt.toml"
DATABASE = "dbc_examples/quernholt.dbc"
RECORDINGS = (
    SampleRecording("A healthy install", "traces/quernholt-healthy.log.gz", "traces/quernholt-healthy.toml"),
    SampleRecording(
        "The same install with two faults",
        "traces/quernholt-two-faults.log.gz",
        "traces/quernholt-two-faults.toml",
    ),
)
FILES = (PLAN, DATABASE, *(name for each in RECORDINGS for name in (each.log, each.origin)))
"""All files of the sample job, from the folder that holds the examples."""


def write_sample_job(folder: Path, *, force: bool) -> None:
    """Copy the sample job into a folder, which is made if it is not there.

    Raises
    ------
    UsageError
        If something is in the folder already and ``force`` is not set, or if it cannot be written.
    """
    examples = _examples()
    require_empty(folder, force=force)
    write_into(folder, {name: examples.joinpath(name).read_bytes() for name in FILES})


def _examples() -> Traversable:
    """Return the folder of the examples: inside the installed package, or beside it in a checkout."""
    package = resources.files("canlens")
    places = [package.joinpath("examples")]
    if isinstance(package, Path):
        places.append(package.parent)
    for place in places:
        if place.joinpath(PLAN).is_file():
            return place
    raise UsageError("The sample job is missing from this installation. Install canlens again.")
