"""``canlens check``: one job, a plan and its recordings, put to every check, with its hand-over."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from canlens.cli.inputs import STANDARD_STREAM, read_log, require_file, require_plan
from canlens.cli.streams import HtmlOption, JsonOption, give_out, guarded, look_at_targets, tell
from canlens.errors import UsageError
from canlens.whole_files import require_empty

if TYPE_CHECKING:
    from canlens.checkup import Checkup
    from canlens.handover import Given
    from canlens.results.check import Verdict
    from canlens.trace import Trace


# The hand-over of ``canlens check``: its options, looked at before the work, and what is written after it.


DECIMAL_SIGNS = ("point", "comma")


@dataclass(frozen=True)
class HandoverOptions:
    """What the person asked for; ``folder`` is None where no hand-over is wanted."""

    folder: str | None
    job: str | None = None
    redact: bool = False
    csv_locale: str | None = None
    force: bool = False


def look_at_handover(options: HandoverOptions, *, inputs: dict[str, str | None]) -> Given | None:
    """Raise a sentence for what cannot be handed over, before any work is done; read the job details.

    Parameters
    ----------
    options
        As given.
    inputs
        The files of the job by the name of their argument: ``plan``, ``marks``, ``readings``, ``observed``.

    Returns
    -------
    Given
        The files of the job; None where no hand-over is wanted.
    """
    if options.folder is None:
        _refuse_lonely(options)
        return None
    from canlens.handover import Given
    from canlens.job import load_job

    if options.csv_locale not in (None, *DECIMAL_SIGNS):
        raise UsageError(
            f"--csv-locale {options.csv_locale}: expected point (1.5 and commas between columns) or comma (1,5 and "
            "semicolons)."
        )
    if options.folder == STANDARD_STREAM:
        raise UsageError("--handover -: the hand-over is a folder. Name one.")
    require_empty(Path(options.folder), force=options.force)
    for name, file in (*inputs.items(), ("job", options.job)):
        if file == STANDARD_STREAM:
            raise UsageError(f"-: with --handover, {name} must be a file, since it is copied.")
    if options.job is not None:
        require_file(options.job, what="the job details")
    details = load_job(options.job) if options.job is not None else None
    plan = inputs["plan"]
    assert plan is not None  # noqa: S101  # an argument that must be there
    given = Given(plan, inputs["marks"], inputs["readings"], inputs["observed"], options.job, details)
    for role, file in given.named_files():
        require_file(file, what=f"the {role.replace('-', ' ')} that the job details name")
    return given


def _refuse_lonely(options: HandoverOptions) -> None:
    """Raise a sentence for an option that means nothing without ``--handover``."""
    for name, given in (
        ("--job", options.job is not None),
        ("--redact", options.redact),
        ("--csv-locale", options.csv_locale is not None),
        ("--force", options.force),
    ):
        if given:
            raise UsageError(f"{name}: belongs to a hand-over. Add --handover DIR.")


def hand_over(
    checkup: Checkup, traces: list[Trace], options: HandoverOptions, given: Given, *, channel: str | None
) -> None:
    """Write the hand-over and tell where it is."""
    from canlens.handover import write_handover

    assert options.folder is not None  # noqa: S101  # else there is nothing given
    folder = Path(options.folder)
    files = write_handover(
        checkup,
        folder,
        given,
        traces=traces,
        channel=channel,
        redact=options.redact,
        decimal_comma=options.csv_locale == "comma",
        force=options.force,
    )
    removed = " without what identifies the vehicle" if options.redact else ""
    tell(f"Wrote {len(files)} files into {folder}{removed}. Print customer-sheet.html and have it signed.\n")


# ``canlens check``: one job, a plan and its recordings, put to every check.


EXIT_CODES: dict[Verdict, int] = {"proven": 0, "failed": 1, "not-proven": 3}


@guarded
def check_job(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="The plan (TOML): what the install is meant to do.")],
    logs: Annotated[
        list[str],
        typer.Argument(metavar="LOG", help="One recording, or several of the same job (- reads standard input)."),
    ],
    marks: Annotated[
        str | None, typer.Option(metavar="CSV", help="What you really did: time_s,label[,until_s].")
    ] = None,
    readings: Annotated[str | None, typer.Option(metavar="TOML", help="What the meter said.")] = None,
    observed: Annotated[
        str | None,
        typer.Option(metavar="CSV", help="What you saw of the outputs: time_s,output,on[,amps,volts]."),
    ] = None,
    channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="The channel of the recording; overrules the plan.")
    ] = None,
    json: JsonOption = None,
    html: HtmlOption = None,
    handover: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="Write all that lasts into a folder: report, customer sheet, tables, hashes."),
    ] = None,
    job: Annotated[
        str | None, typer.Option(metavar="TOML", help="For the hand-over: vehicle, place, parts, recorder.")
    ] = None,
    redact: Annotated[
        bool, typer.Option("--redact", help="For the hand-over: take out what identifies the vehicle.")
    ] = False,
    csv_locale: Annotated[
        str | None,
        typer.Option(metavar="SIGN", help="For its tables: point, or comma (then semicolons between columns)."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an earlier hand-over.")] = False,
) -> int:
    """Judge recordings of a job against its plan.

    Exit code: 0 proven, 1 failed, 3 not proven, 2 wrong usage or an input that cannot be read.
    """
    _look_at_files(plan, logs, marks, readings, observed)
    look_at_targets(json=json, html=html, sources=[plan, *logs, marks, readings, observed])
    options = HandoverOptions(handover, job, redact, csv_locale, force)
    inputs = {"plan": plan, "marks": marks, "readings": readings, "observed": observed}
    given = look_at_handover(options, inputs=inputs)
    checkup, traces = judge_job(plan, logs, marks=marks, readings=readings, observed=observed, channel=channel)

    def as_page() -> str:
        from canlens.reports.page import check_page

        return check_page(checkup, checkup.drawn(traces, channel=channel))

    def as_text(encoding: str) -> str:
        from canlens.measures.outputs.exercises import lanes
        from canlens.reports.text import PARTS, check_text

        told = [lanes(each, parts=PARTS) for each in checkup.evidence]
        return check_text(checkup.result, lanes=told, encoding=encoding)

    give_out(json=json, html=html, as_json=checkup.to_dict, as_page=as_page, as_text=as_text)

    if given is not None:
        hand_over(checkup, traces, options, given, channel=channel)
    return EXIT_CODES[checkup.result.verdict]


def _look_at_files(
    plan: str,
    logs: list[str],
    marks: str | None,
    readings: str | None,
    observed: str | None,
) -> None:
    """Raise a sentence for a file that cannot be read, or must not be written, before any work is done."""
    if logs.count(STANDARD_STREAM) > 1:
        raise UsageError("-: standard input can be read only once.")
    if plan != STANDARD_STREAM and not plan.endswith(".toml") and logs[0].endswith(".toml"):
        raise UsageError(f"{plan}: the plan comes first, the recordings behind it: canlens check {logs[0]} {plan}")
    require_plan(plan)
    for log in logs:
        require_file(log, what="a recording")
    for name, what in ((marks, "the marks"), (readings, "the readings"), (observed, "the observations")):
        if name is not None:
            require_file(name, what=what)


class JudgedJob(NamedTuple):
    """A checked job, and the recordings it was judged on."""

    checkup: Checkup
    traces: list[Trace]


def judge_job(
    plan_file: str,
    logs: list[str],
    *,
    marks: str | None = None,
    readings: str | None = None,
    observed: str | None = None,
    channel: str | None = None,
) -> JudgedJob:
    """Read all files of a job and judge it.

    Raises
    ------
    CanlensError
        If one of them cannot be read at all.
    """
    from canlens import check, read_marks, read_observed, read_plan, read_readings
    from canlens.measures.outputs.several import in_order

    plan = read_plan(plan_file)
    the_marks = read_marks(marks) if marks is not None else None
    the_readings = read_readings(readings) if readings is not None else None
    the_observed = read_observed(observed) if observed is not None else None
    traces = list(in_order([read_log(log) for log in logs]))  # last, since it takes longest
    checkup = check(plan, traces, marks=the_marks, readings=the_readings, observed=the_observed, channel=channel)
    return JudgedJob(checkup, traces)
