"""``canlens discover``: which bits of a bus follow the controls that a person operated."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.found_files import DbcOption, PlanOption, look_at_found_files, write_found_files
from canlens.cli.inputs import require_beside, require_file
from canlens.cli.outlets import HtmlOption, JsonOption, give_out, look_at_targets
from canlens.cli.progress import read_log
from canlens.cli.streams import guarded

if TYPE_CHECKING:
    from canlens.discovery import Discovery
    from canlens.discovery_results import DiscoverVerdict

EXIT_CODES: dict[DiscoverVerdict, int] = {"named": 0, "not-named": 3}


@guarded
def discover_bits(
    log: Annotated[str, typer.Argument(metavar="LOG", help="One recording (- reads standard input).")],
    marks: Annotated[
        str, typer.Option(metavar="FILE", help="When each control was operated: CSV time_s,label[,until_s].")
    ],
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database of what is known: names for what is found.")
    ] = None,
    channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="The channel to look at; without it, all.")
    ] = None,
    json: JsonOption = None,
    html: HtmlOption = None,
    write_dbc: DbcOption = None,
    write_plan: PlanOption = None,
) -> int:
    """Find the bits that follow each marked control, with the chance of being wrong.

    Exit code: 0 every marked control named, 3 one not named, 2 wrong usage or an input that cannot be read.
    """
    from canlens import discover, read_database, read_marks

    require_file(log, what="a recording")
    require_beside(marks, what="the marks")
    require_beside(dbc, what="a database")
    look_at_targets(json=json, html=html, sources=[log, marks, dbc])
    look_at_found_files(write_dbc=write_dbc, write_plan=write_plan, taken=[log, marks, dbc, json, html])
    database = read_database(dbc) if dbc is not None else None
    found = discover(read_log(log), read_marks(marks), database, channel=channel)
    _report(found, json=json, html=html)
    write_found_files(found, database, dbc=dbc, write_dbc=write_dbc, write_plan=write_plan)
    return EXIT_CODES[found.verdict]


def _report(found: Discovery, *, json: str | None, html: str | None) -> None:
    """Write what was asked for."""

    def as_page() -> str:
        from canlens.reports.page.discovery_page import discovery_page

        return discovery_page(found.result)

    def as_text(encoding: str) -> str:
        from canlens.reports.discovery_text import discovery_text

        return discovery_text(found.result, encoding=encoding)

    give_out(json=json, html=html, as_json=found.to_dict, as_page=as_page, as_text=as_text)
