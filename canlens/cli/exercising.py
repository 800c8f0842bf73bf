"""``canlens exercises`` and ``canlens rehearse``: what to do while recording, and what a faulty install would give."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import require_plan
from canlens.cli.streams import ForceOption, encoding_of, guarded, say, tell
from canlens.errors import UsageError
from canlens.whole_files import require_free, write_into

if TYPE_CHECKING:
    from canlens.plan import Plan
    from canlens.prompting import Session
    from canlens.rehearsal import Truth


# ``canlens exercises``: what to do while recording, as a sheet, a page that counts down, and planned marks.


SHEET, RECORDER, PAGE, MARKS = "exercises.txt", "recorder.txt", "exercises.html", "marks-planned.csv"


@guarded
def exercises(
    plan: Annotated[
        str | None, typer.Argument(metavar="PLAN", help="The plan (TOML): exercise all that it says.")
    ] = None,
    controls: Annotated[
        str | None, typer.Option(metavar="A,B,...", help="Names of controls, where there is no plan yet.")
    ] = None,
    slots: Annotated[
        int | None, typer.Option(metavar="N", help="Slots of equal length to draw; else as many as it takes.")
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="The same number gives the same sheet.")] = 1,
    awake_while: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="With --controls: the one that wakes the vehicle; drawn off and on apart."),
    ] = None,
    chance: Annotated[float, typer.Option(metavar="P", help="Chance of naming a wrong bit that you accept.")] = 0.01,
    bits: Annotated[
        int | None,
        typer.Option(metavar="N", help="How many bits could be mistaken for a control; 6400 without a plan."),
    ] = None,
    out: Annotated[str, typer.Option(metavar="DIR", help="Where to write the files.")] = "canlens-exercises",
    force: ForceOption = False,
) -> int:
    """Make a sheet of what to do while recording, and a page that counts down.

    Exit code: 0 done, 2 wrong usage or a plan that cannot be read.
    """
    _look_at_numbers(seed, chance, bits)
    if (plan is None) == (controls is None):
        raise UsageError(
            "Expected a plan, or names of controls: canlens exercises plan.toml, or canlens exercises --controls "
            "horn,brake_front"
        )
    folder = Path(out)
    require_free(folder, (SHEET, RECORDER, PAGE, MARKS), force=force)
    if plan is not None:
        session = _planned(plan, slots, seed, chance, bits, awake_while)
        named = f'"{plan}"' if " " in plan else plan
        judge = f"canlens check {named} recording.log --marks marks.csv"
    else:
        session = _free(str(controls), slots, seed, chance, bits, awake_while)
        judge = "canlens discover recording.log --marks marks.csv"
    _write_session(session, folder, judge)
    return 0


def _look_at_numbers(seed: int, chance: float, bits: int | None) -> None:
    """Raise a sentence for a number that makes no sense."""
    if seed < 0:
        raise UsageError(f"--seed {seed}: expected a whole number from 0 on.")
    if not 0.0 < chance < 1.0:
        raise UsageError(f"--chance {chance:g}: expected a number between 0 and 1, such as 0.01 for 1 %.")
    if bits is not None and bits < 1:
        raise UsageError(f"--bits {bits}: expected a whole number from 1 on.")


def _planned(
    plan: str, slots: int | None, seed: int, chance: float, bits: int | None, awake_while: str | None
) -> Session:
    from canlens import read_plan
    from canlens.prompting import draw_planned_session

    if awake_while is not None:
        raise UsageError("--awake-while: belongs to --controls; the plan says it itself (awake_while).")
    require_plan(plan)
    return draw_planned_session(read_plan(plan), slots=slots, seed=seed, chance=chance, places=bits)


def _free(
    controls: str, slots: int | None, seed: int, chance: float, bits: int | None, awake_while: str | None
) -> Session:
    from canlens.prompting import draw_free_session
    from canlens.prompting.free_session import PLACES, control_names

    return draw_free_session(
        control_names(controls),
        slots=slots,
        seed=seed,
        awake_while=awake_while,
        chance=chance,
        places=bits if bits is not None else PLACES,
    )


def _write_session(session: Session, folder: Path, judge: str) -> None:
    from canlens.prompting import planned_marks_text
    from canlens.reports.countdown_page import countdown_page
    from canlens.reports.exercise_sheets import recorder_text, sheet_text

    files = {
        SHEET: sheet_text(session, judge=judge),
        RECORDER: recorder_text(session),
        PAGE: countdown_page(session, judge=judge),
        MARKS: planned_marks_text(session),
    }
    write_into(folder, {name: text.encode() for name, text in files.items()})
    say(sheet_text(session, judge=judge, encoding=encoding_of(sys.stdout)))
    say(
        f"\nThe files are in {folder}:\n"
        f"  {PAGE}     counts you through it; open it on a phone or laptop\n"
        f"  {SHEET}      this sheet, to print\n"
        f"  {RECORDER}       how to set the recorder up, and what to write down\n"
        f"  {MARKS}  the marks of a session done exactly as told\n"
    )


# ``canlens rehearse``: the recording that a faulty install would give, or the list of faults that one would show.


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
    force: ForceOption = False,
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
    return _write_rehearsal(plan, fault or [], strength, seed, Path(out), force=force)


def _write_rehearsal(
    plan_file: str, faults: list[str], strength: float | None, seed: int, folder: Path, *, force: bool
) -> int:
    from canlens import read_plan
    from canlens.rehearsal import rehearse
    from canlens.rehearsal.written_rehearsal import OBSERVED, rehearsal_files

    require_free(folder, (), force=force)  # a rehearsal takes seconds
    rehearsal = rehearse(read_plan(plan_file), fault=faults, strength=strength, seed=seed)
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
    from canlens.rehearsal.coverage import cover
    from canlens.reports.reference_text import coverage_text

    covered = cover(plan, seed=seed, tell=lambda cause: tell(f"Rehearsing {cause} ...\n"))
    say(coverage_text(plan.title, covered, encoding=encoding_of(sys.stdout)))
    return 0
