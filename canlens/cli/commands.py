"""The commands of canlens under one name."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from canlens.cli.checking import check_job
from canlens.cli.comparing import compare_recordings
from canlens.cli.discovering import discover_bits
from canlens.cli.found_files import first_plan
from canlens.cli.manual import explain
from canlens.cli.prompting import exercises
from canlens.cli.rehearsing import rehearse
from canlens.cli.sample_job import demo
from canlens.cli.streams import WRONG_USAGE, say, tell
from canlens.cli.surveying import survey_bus
from canlens.errors import CanlensError
from canlens.results import version

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
