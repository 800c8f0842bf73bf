"""``canlens rehearse``: the recording that a faulty install would give, or the list of faults that one would show."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import require_plan
from canlens.cli.streams import encoding_of, guarded, say, tell
from canlens.errors import UsageError
from canlens.whole_files import require_free, write_into

if TYPE_CHECKING:
    from canlens.plan import Plan
    from canlens.rehearsal import Truth


@guarded
def rehearse(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="The plan (TOML): what the install is meant to do.")],
    fault: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CAUSE",
            help="A cause from 'canlens explain', or CAUSE:SUBJECT; may be given twice. Without it all is well.",
        ),
    ] = None,
    strength: Annotated[
        float | None, typer.Option(metavar="S", help="From 0, hardly to be seen, to 1, gross; else drawn.")
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="The same number gives the same recording.")] = 1,
    out: Annotated[str, typer.Option(metavar="DIR", help="Where to write it.")] = "canlens-rehearsal",
    force: Annotated[bool, typer.Option("--force", help="Write over files that are there already.")] = False,
    coverage: Annotated[
        bool, typer.Option("--coverage", help="Tell instead which faults a recording with these exercises would show.")
    ] = False,
) -> int:
    """Make the recording, marks and readings that an install with a fault would give.

    Exit code: 0 done, 2 wrong usage or a plan that cannot be read.
    """
    require_plan(plan)
    from canlens import read_plan

    if coverage:
        if fault:
            raise UsageError("--coverage rehearses every fault: leave out --fault.")
        return _cover(read_plan(plan), seed)
    return _write(plan, fault or [], strength, seed, Path(out), force=force)


def _write(plan_file: str, faults: list[str], strength: float | None, seed: int, folder: Path, *, force: bool) -> int:
    """Rehearse and write all files into a folder."""
    from canlens import read_plan
    from canlens.rehearsal import make_rehearsal
    from canlens.rehearsal.written_rehearsal import OBSERVED, rehearsal_files

    require_free(folder, (), force=force)  # a rehearsal takes seconds
    rehearsal = make_rehearsal(read_plan(plan_file), fault=faults, strength=strength, seed=seed)
    files = rehearsal_files(rehearsal)
    require_free(folder, files, force=force)
    write_into(folder, {name: text.encode() for name, text in files.items()})
    say(f"{_built(rehearsal.truth)}\nThe files are in {folder}: {', '.join(files)}.\n")
    observed = f" --observed {folder / OBSERVED}" if OBSERVED in files else ""
    command = f"canlens check {plan_file} {folder / 'recording.log'} --marks {folder / 'marks.csv'}"
    say(f"Check it:\n  {command} --readings {folder / 'readings.toml'}{observed}\n")
    return 0


def _built(truth: Truth) -> str:
    """Return what was built in, in a sentence for each fault."""
    if not truth.faults:
        return "A healthy install: no fault is built in."
    return "\n".join(f"{fault.cause}: {fault.detail}." for fault in truth.faults)


def _cover(plan: Plan, seed: int) -> int:
    """Rehearse every fault and print the table."""
    from canlens.rehearsal.coverage import cover
    from canlens.reports.coverage_text import coverage_text

    covered = cover(plan, seed=seed, tell=lambda cause: tell(f"Rehearsing {cause} ...\n"))
    say(coverage_text(plan.title, covered, encoding=encoding_of(sys.stdout)))
    return 0
