"""The page of a result: where it may be written, and what is told of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, refuse_same_file
from canlens.cli.streams import replace_file, say_bytes, tell
from canlens.errors import UsageError

HtmlOption = Annotated[
    str | None,
    typer.Option(
        "--html", metavar="FILE", help="Write the result as a page that opens from disk; - writes standard output."
    ),
]


def look_at_targets(*, json: str | None, html: str | None, sources: list[str]) -> None:
    """Raise a sentence for results that may not be written as asked, before any work is done.

    Parameters
    ----------
    json, html
        What ``--json`` and ``--html`` name.
    sources
        Files that are read.

    Raises
    ------
    UsageError
        Both name the same place, or one names a file that is read.
    """
    if json is not None and json == html:
        raise UsageError(f"{json}: --json and --html need a file each.")
    for target in (json, html):
        if target is not None and target != STANDARD_STREAM:
            refuse_same_file(Path(target), sources)


def write_page(html: str, page: str) -> None:
    """Write a page, and tell so unless it goes to standard output, where nothing else may stand."""
    content = page.encode("utf-8", "backslashreplace")
    if html == STANDARD_STREAM:
        say_bytes(content)
        return
    replace_file(Path(html), content)
    tell(f"Wrote {html}.\n")
