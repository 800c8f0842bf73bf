"""``canlens survey``: the bus of one recording by itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, read_log, require_beside, require_file, require_place
from canlens.cli.streams import (
    ChannelOption,
    HtmlOption,
    JsonOption,
    give_out,
    guarded,
    look_at_targets,
    replace_file,
    tell,
)
from canlens.errors import UsageError

if TYPE_CHECKING:
    from canlens.results.survey import SurveyVerdict


EXIT_CODES: dict[SurveyVerdict, int] = {"no-failure-found": 0, "failure-found": 1, "too-poor": 3}


@guarded
def survey_bus(
    log: Annotated[str, typer.Argument(metavar="LOG", help="One recording (- reads standard input).")],
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database: names, senders, declared cycle times.")
    ] = None,
    bit_rate: Annotated[
        int | None,
        typer.Option(metavar="N", help="Nominal bit rate in bit/s; without it, it is inferred if it can be."),
    ] = None,
    channel: ChannelOption = None,
    match_pgn: Annotated[
        bool,
        typer.Option("--match-pgn", help="Find messages of the database by their J1939 parameter group number."),
    ] = False,
    json: JsonOption = None,
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

    _look_at_files(log, dbc, json=json, html=html, baseline=save_baseline)
    if bit_rate is not None and bit_rate <= 0:
        raise UsageError(f"--bit-rate {bit_rate}: expected a whole number above 0, in bit/s, such as 250000.")
    database = read_database(dbc) if dbc is not None else None
    trace = read_log(log)
    overview = survey(trace, database, bit_rate=bit_rate, channel=channel, match_pgn=match_pgn)

    def as_page() -> str:
        from canlens.reports.page import survey_page

        return survey_page(overview, overview.drawn(trace, channel=channel))

    def as_text(encoding: str) -> str:
        from canlens.reports.survey_text import survey_text

        return survey_text(overview.result, encoding=encoding)

    give_out(json=json, html=html, as_json=overview.to_dict, as_page=as_page, as_text=as_text)

    if save_baseline is not None:
        from canlens.baseline_file import baseline_bytes
        from canlens.comparison import make_baseline

        kept = make_baseline(trace, database, bit_rate=bit_rate, channel=channel)
        replace_file(Path(save_baseline), baseline_bytes(kept))
        tell(f"Wrote {save_baseline}.\n")
    return EXIT_CODES[overview.verdict]


def _look_at_files(log: str, dbc: str | None, *, json: str | None, html: str | None, baseline: str | None) -> None:
    """Raise a sentence for a file that cannot be read, or must not be written, before any work is done."""
    require_file(log, what="a recording")
    require_beside(dbc, what="a database")
    look_at_targets(json=json, html=html, sources=[log, dbc])
    if baseline is None:
        return
    if baseline == STANDARD_STREAM:
        raise UsageError("-: the baseline must be a file.")
    for option, name in (("--json", json), ("--html", html)):
        if baseline == name:
            raise UsageError(f"{name}: {option} and --save-baseline need a file each.")
    require_place(baseline, [log, dbc])
