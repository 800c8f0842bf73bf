"""``canlens compare``: two recordings of one bus, and what changed between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, read_log, require_beside, require_file, require_plan
from canlens.cli.streams import ChannelOption, HtmlOption, JsonOption, give_out, guarded, look_at_targets
from canlens.errors import UsageError

if TYPE_CHECKING:
    from canlens.nouns.baselines import Baseline
    from canlens.results.compare import CompareVerdict
    from canlens.trace import Trace


EXIT_CODES: dict[CompareVerdict, int] = {
    "no-change-seen": 0,
    "changed": 1,
    "better": 1,
    "worse": 1,
    "not-comparable": 3,
}


@guarded
def compare_recordings(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="A recording, or a baseline kept of one.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same, made later (- reads standard input).")],
    plan: Annotated[
        str | None, typer.Option(metavar="FILE", help="The plan: outputs are compared too, and like states only.")
    ] = None,
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database, without a plan: names and senders.")
    ] = None,
    channel: ChannelOption = None,
    json: JsonOption = None,
    html: HtmlOption = None,
) -> int:
    """Tell what changed on a bus between two recordings, as after a change of the wiring.

    Exit code: 0 no change seen, 1 a change, 3 not comparable, 2 wrong usage or an input that cannot be read.
    """
    from canlens import compare, read_database, read_plan

    _look_at_files(before, after, plan, dbc)
    look_at_targets(json=json, html=html, sources=[before, after, plan, dbc])
    the_plan = read_plan(plan) if plan is not None else None
    database = read_database(dbc) if dbc is not None else None
    comparison = compare(_read(before), _read(after), plan=the_plan, database=database, channel=channel)

    def as_page() -> str:
        from canlens.reports.page import comparison_page

        return comparison_page(comparison.result, comparison.drawn())

    def as_text(encoding: str) -> str:
        from canlens.reports.comparison_text import comparison_text

        return comparison_text(comparison.result, encoding=encoding)

    give_out(json=json, html=html, as_json=comparison.to_dict, as_page=as_page, as_text=as_text)

    return EXIT_CODES[comparison.verdict]


def _read(name: str) -> Trace | Baseline:
    """Read a recording, or the baseline that was kept of one."""
    from canlens import read_baseline
    from canlens.baseline_file import is_baseline

    return read_baseline(name) if name != STANDARD_STREAM and is_baseline(name) else read_log(name)


def _look_at_files(before: str, after: str, plan: str | None, dbc: str | None) -> None:
    """Raise a sentence for a file that cannot be read, or must not be written, before any work is done."""
    if before == after == STANDARD_STREAM:
        raise UsageError("-: standard input can be read only once.")
    if plan is not None and dbc is not None:
        raise UsageError("--plan and --dbc: the plan names its own database. Give one of them.")
    for name, what in ((before, "a recording or a baseline"), (after, "a recording or a baseline")):
        require_file(name, what=what)
    if plan is not None:
        require_plan(plan)
    require_beside(dbc, what="a database")
