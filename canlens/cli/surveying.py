"""``canlens survey``: the bus of one recording by itself."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, refuse_same_file, require_file
from canlens.cli.pages import HtmlOption, look_at_targets, write_page
from canlens.cli.progress import read_log
from canlens.cli.streams import encoding_of, guarded, replace_file, say, say_bytes, tell
from canlens.errors import UsageError

if TYPE_CHECKING:
    from canlens.overview import Survey
    from canlens.survey_results import SurveyVerdict

EXIT_CODES: dict[SurveyVerdict, int] = {"no-failure-found": 0, "failure-found": 1, "too-poor": 3}


@guarded
def survey_bus(
    log: Annotated[str, typer.Argument(metavar="LOG", help="One recording; - reads standard input.")],
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database: names, senders, declared cycle times.")
    ] = None,
    bit_rate: Annotated[
        int | None,
        typer.Option(metavar="N", help="Nominal bit rate in bit/s; without it, it is inferred if it can be."),
    ] = None,
    channel: Annotated[
        str | None, typer.Option(metavar="NAME", help="The channel to look at; without it, all.")
    ] = None,
    match_pgn: Annotated[
        bool,
        typer.Option("--match-pgn", help="Find messages of the database by their J1939 parameter group number."),
    ] = False,
    json: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the result as JSON; - writes standard output.")
    ] = None,
    html: HtmlOption = None,
    save_baseline: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Keep what a later recording can be compared with, as a small file."),
    ] = None,
) -> int:
    """Tell what a recording says of the bus itself: load, errors, intervals, sleep.

    Exit code: 0 no failure found, 1 a failure found, 3 recording too poor to judge, 2 wrong usage or an input that
    cannot be read.
    """
    from canlens import read_database, survey

    _look_at_files(log, dbc, [json, html, save_baseline])
    if bit_rate is not None and bit_rate <= 0:
        raise UsageError(f"--bit-rate {bit_rate}: expected a whole number above 0, in bit/s, such as 250000.")
    database = read_database(dbc) if dbc is not None else None
    trace = read_log(log)
    overview = survey(trace, database, bit_rate=bit_rate, channel=channel, match_pgn=match_pgn)
    if save_baseline is not None:
        from canlens.baseline_file import baseline_bytes
        from canlens.comparison import make_baseline

        kept = make_baseline(trace, database, bit_rate=bit_rate, channel=channel)
        replace_file(Path(save_baseline), baseline_bytes(kept))
        tell(f"Wrote {save_baseline}.\n")
    if html is not None:
        from canlens.reports.page import survey_page

        write_page(html, survey_page(overview, trace, channel=channel))
    return _report(overview, json, is_quiet=html == STANDARD_STREAM)


def _look_at_files(log: str, dbc: str | None, written: list[str | None]) -> None:
    """Raise a sentence for a file that cannot be read, or must not be written, before any work is done."""
    require_file(log, what="a recording")
    if dbc == STANDARD_STREAM:
        raise UsageError("-: the database must be a file.")
    if dbc is not None:
        require_file(dbc, what="a database")
    json, html, baseline = written
    look_at_targets(json=json, html=html, sources=[log, *([dbc] if dbc is not None else [])])
    if baseline == STANDARD_STREAM:
        raise UsageError("-: the baseline must be a file.")
    for option, name in (("--json", json), ("--html", html)):
        if baseline is not None and baseline == name:
            raise UsageError(f"{name}: {option} and --save-baseline need a file each.")
    if baseline is not None:
        refuse_same_file(Path(baseline), [log, *([dbc] if dbc is not None else [])])


def _report(overview: Survey, json: str | None, *, is_quiet: bool) -> int:
    """Write what was asked for and return the exit code."""
    from canlens.reports.json_form import json_bytes
    from canlens.reports.survey_text import survey_text

    if json is not None:
        content = json_bytes(overview.to_dict())
        if json == STANDARD_STREAM:
            say_bytes(content)
            return EXIT_CODES[overview.verdict]
        replace_file(Path(json), content)
        tell(f"Wrote {json}.\n")
    if not is_quiet:
        say(survey_text(overview.result, encoding=encoding_of(sys.stdout)))
    return EXIT_CODES[overview.verdict]
