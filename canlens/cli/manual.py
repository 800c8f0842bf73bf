"""``canlens explain``: the manual page of a check or a cause."""

from __future__ import annotations

import sys
from difflib import get_close_matches
from typing import Annotated

import typer

from canlens.cli.streams import encoding_of, guarded, say
from canlens.errors import UsageError


@guarded
def explain(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="A check or a cause; without it, the list of both.")
    ] = None,
) -> int:
    """Print the manual page of a check or a cause, or the list."""
    from canlens import causes, checks
    from canlens.reports.manual_page import catalogue_text, manual_text

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
