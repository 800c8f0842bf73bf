"""``canlens demo``: the sample job, written into a folder and checked."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canlens.cli.checking import judge_job
from canlens.cli.streams import encoding_of, guarded, say, tell
from canlens.errors import UsageError
from canlens.whole_files import require_empty, write_into

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from canlens.results.check import CheckResult


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
        "The same install with two faults", "traces/quernholt-two-faults.log.gz", "traces/quernholt-two-faults.toml"
    ),
)
FILES = (PLAN, DATABASE, *(name for each in RECORDINGS for name in (each.log, each.origin)))
"""All files of the sample job, from the folder that holds the examples."""


def write_sample_job(folder: Path, *, force: bool) -> None:
    """Copy the sample job into a folder, which is made if it is not there; with ``force`` even into one in use."""
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


@guarded
def demo(
    folder: Annotated[str, typer.Argument(metavar="DIR", help="Where to write it.")] = "canlens-demo",
    force: Annotated[bool, typer.Option("--force", help="Write even if something is in DIR already.")] = False,
) -> int:
    """Write a sample job into a folder and check it.

    Exit code: 0 if both recordings are judged as they must be, 1 if not, 2 wrong usage.
    """
    write_sample_job(Path(folder), force=force)
    say(f"The sample job is in {folder}: a plan, its database and two recordings.\n")
    told = [_show(folder, recording) for recording in RECORDINGS]
    say("\nEach again with all details:\n")
    for recording in RECORDINGS:
        say(f"  {_command(folder, recording)}\n")
    return 0 if all(told) else 1


def _show(folder: str, recording: SampleRecording) -> bool:
    """Check one recording, print the answer and return whether it is the right one."""
    from canlens.reports.layout import Page
    from canlens.reports.text import answer_text

    origin = tomllib.loads(Path(folder, recording.origin).read_text(encoding="utf-8"))
    result = judge_job(str(Path(folder, PLAN)), [str(Path(folder, recording.log))]).checkup.result
    head = Page(encoding_of(sys.stdout))
    head.heading(recording.title)
    head.paragraph(origin["origin"]["what"], first="What is behind it:", indent=2)
    head.gap()
    say(head.text())
    say(answer_text(result, encoding=encoding_of(sys.stdout)))
    wrong = _differences(result, origin["expected"])
    for sentence in wrong:
        tell(f"{recording.log}: {sentence} This is a mistake of canlens; please report it.\n")
    return not wrong


def _differences(result: CheckResult, expected: dict[str, Any]) -> list[str]:
    """Return a sentence for each verdict that is not as the file beside the recording expects."""
    found = {name: output.verdict for name, output in result.outputs.items()}
    told = [f"expected the verdict {expected['verdict']}, found {result.verdict}."] * (
        result.verdict != expected["verdict"]
    )
    return told + [
        f"expected {name} to be {verdict}, found {found.get(name, 'nothing')}."
        for name, verdict in expected.get("outputs", {}).items()
        if found.get(name) != verdict
    ]


def _command(folder: str, recording: SampleRecording) -> str:
    """Return the command that checks one recording, quoted as the system's shell wants it."""
    words = ["canlens", "check", str(Path(folder, PLAN)), str(Path(folder, recording.log))]
    return subprocess.list2cmdline(words) if os.name == "nt" else shlex.join(words)
