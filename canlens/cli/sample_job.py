"""``canlens demo``: the sample job, written into a folder and checked."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canlens.cli.checking import judge_job
from canlens.cli.sample_files import PLAN, RECORDINGS, SampleRecording, write_sample_job
from canlens.cli.streams import encoding_of, guarded, say, tell

if TYPE_CHECKING:
    from canlens.results import CheckResult


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
