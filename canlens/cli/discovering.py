"""``canlens discover``: which bits of a bus follow the controls that a person operated."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.found_files import DbcOption, PlanOption, look_at_found_files, write_found_files
from canlens.cli.inputs import STANDARD_STREAM, require_file
from canlens.cli.pages import HtmlOption, look_at_targets, write_page
from canlens.cli.progress import read_log
from canlens.cli.streams import encoding_of, guarded, replace_file, say, say_bytes, tell
from canlens.errors import UsageError

if TYPE_CHECKING:
    from canlens.discovery import Discovery
    from canlens.discovery_results import DiscoverVerdict

EXIT_CODES: dict[DiscoverVerdict, int] = {"named": 0, "not-named": 3}


@guarded
def discover_bits(
    log: Annotated[str, typer.Argument(metavar="LOG", help="One recording; - reads standard input.")],
    marks: Annotated[
        str, typer.Option(metavar="FILE", help="When each control was operated: CSV time_s,label[,until_s].")
    ],
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database of what is known: names for what is found.")
    ] = None,
    channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="The channel to look at; without it, all.")
    ] = None,
    json: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes standard output.")
    ] = None,
    html: HtmlOption = None,
    write_dbc: DbcOption = None,
    write_plan: PlanOption = None,
) -> int:
    """Find the bits that follow each marked control, with the chance of being wrong.

    Exit code: 0 every marked control named, 3 one not named, 2 wrong usage or an input that cannot be read.
    """
    from canlens import discover, read_database, read_marks

    _look_at_files(log, marks, dbc, json, html)
    look_at_found_files(write_dbc=write_dbc, write_plan=write_plan, taken=[log, marks, dbc, json, html])
    database = read_database(dbc) if dbc is not None else None
    found = discover(read_log(log), read_marks(marks), database, channel=channel)
    write_found_files(found, database, dbc=dbc, write_dbc=write_dbc, write_plan=write_plan)
    return _report(found, json, html)


def _look_at_files(log: str, marks: str, dbc: str | None, json: str | None, html: str | None) -> None:
    """Raise a sentence for a file that cannot be read, or must not be written, before any work is done."""
    require_file(log, what="a recording")
    for given, what in ((marks, "the marks"), (dbc, "a database")):
        if given == STANDARD_STREAM:
            raise UsageError(f"-: {what} must be a file.")
        if given is not None:
            require_file(given, what=what)
    look_at_targets(json=json, html=html, sources=[log, marks, *([dbc] if dbc is not None else [])])


def _report(found: Discovery, json: str | None, html: str | None) -> int:
    """Write what was asked for and return the exit code."""
    from canlens.reports.discovery_text import discovery_text
    from canlens.reports.json_form import json_bytes

    if html is not None:
        from canlens.reports.page.discovery_page import discovery_page

        write_page(html, discovery_page(found.result))
    if json is not None:
        content = json_bytes(found.to_dict())
        if json == STANDARD_STREAM:
            say_bytes(content)
        else:
            replace_file(Path(json), content)
            tell(f"Wrote {json}.\n")
    if STANDARD_STREAM not in (json, html):
        say(discovery_text(found.result, encoding=encoding_of(sys.stdout)))
    return EXIT_CODES[found.verdict]
