"""The commands of canlens under one name, and the manual pages of ``canlens explain``."""

from __future__ import annotations

import sys
from difflib import get_close_matches
from typing import Annotated

import typer

from canlens.cli.checking import check_job
from canlens.cli.comparing import compare_recordings
from canlens.cli.demo import demo
from canlens.cli.discovering import discover_bits, first_plan
from canlens.cli.exercising import exercises, rehearse
from canlens.cli.streams import WRONG_USAGE, encoding_of, guarded, say, tell
from canlens.cli.surveying import survey_bus
from canlens.errors import CanlensError, UsageError
from canlens.results.form import version

# ``canlens explain``: the manual page of a check or a cause.


@guarded
def explain(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="A check or a cause; without it, the list of both.")
    ] = None,
) -> int:
    """Print the manual page of a check or a cause, or the list."""
    from canlens import causes, checks
    from canlens.reports.reference_text import catalogue_text, manual_text

    checks_by_name = {check.name: check.manual for check in checks.ALL}
    causes_by_name = {cause.name: cause.manual for cause in causes.ALL}
    encoding = encoding_of(sys.stdout)
    if name is None:
        say(catalogue_text("Checks, in the order of the report:", checks_by_name, encoding=encoding))
        say("\n")
        say(catalogue_text("Causes:", causes_by_name, encoding=encoding))
        return 0
    kinds = {"As a check": checks_by_name, "As a cause": causes_by_name}
    pages = {kind: pages[name] for kind, pages in kinds.items() if name in pages}
    if not pages:
        known = [*checks_by_name, *causes_by_name]
        close = get_close_matches(name, known, n=3)
        hint = f"Close names: {', '.join(close)}." if close else 'The list: "canlens explain".'
        raise UsageError(f"{name}: there is no check or cause of this name. {hint}")
    if len(pages) == 1:
        say(manual_text(*pages.values(), encoding=encoding))
        return 0
    say("\n".join(f"{kind}\n\n{manual_text(page, encoding=encoding)}" for kind, page in pages.items()))
    return 0


app = typer.Typer(
    name="canlens",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"canlens {version()}\n")
        raise typer.Exit


@app.callback()
def _describe(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Prove that a CAN accessory controller does what it should, or find the broken link.

    New here? Run "canlens demo": it writes a sample job into a folder and checks it.
    """


app.command("demo")(demo)
app.command("check")(check_job)
app.command("survey", short_help="Look at the bus itself: load, errors, intervals, sleep.")(survey_bus)
app.command("compare", short_help="Tell what changed on a bus between two recordings.")(compare_recordings)
app.command("discover", short_help="Find the bits that follow the controls you operated.")(discover_bits)
app.command("exercises", short_help="Say what to do while recording: a sheet and a page.")(exercises)
app.command("plan")(first_plan)
app.command("rehearse", short_help="Make the recording that an install with a fault would give.")(rehearse)
app.command("explain")(explain)


def run() -> None:
    """Run the command that the arguments name; each turns its own errors into sentences (see ``guarded``)."""
    try:
        app(prog_name="canlens")
    except (CanlensError, OSError) as error:  # of --help and --version, which run before a command
        tell(f"{error}\n")
        sys.exit(WRONG_USAGE)
