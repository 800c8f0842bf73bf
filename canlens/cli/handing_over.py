"""The hand-over of ``canlens check``: its options, looked at before the work, and what is written after it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canlens.cli.inputs import STANDARD_STREAM, require_file
from canlens.cli.streams import tell
from canlens.errors import UsageError
from canlens.whole_files import require_empty

if TYPE_CHECKING:
    from canlens.checkup import Checkup
    from canlens.handover import Given
    from canlens.trace import Trace

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
