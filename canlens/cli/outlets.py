"""Where the result of a command goes: a page, JSON, text on standard output."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, require_place
from canlens.cli.streams import encoding_of, replace_file, say, say_bytes, tell
from canlens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.results import Json

JsonOption = Annotated[
    str | None, typer.Option("--json", metavar="FILE", help="Write the result as JSON (- prints it).")
]
HtmlOption = Annotated[
    str | None, typer.Option("--html", metavar="FILE", help="Write the result as one page for a browser (- prints it).")
]


def look_at_targets(*, json: str | None, html: str | None, sources: Sequence[str | None]) -> None:
    """Raise a sentence for results that may not be written as asked, before any work is done.

    Parameters
    ----------
    json, html
        What ``--json`` and ``--html`` name.
    sources
        Files that are read; None for those that were not given.

    Raises
    ------
    UsageError
        Both name the same place, or one names a file that is read, or that cannot be written.
    """
    if json is not None and json == html:
        raise UsageError(f"{json}: --json and --html need a file each.")
    for target in (json, html):
        if target is not None and target != STANDARD_STREAM:
            require_place(target, sources)


def give_out(
    *,
    json: str | None,
    html: str | None,
    as_json: Callable[[], dict[str, Json]],
    as_page: Callable[[], str],
    as_text: Callable[[str], str],
) -> None:
    """Write a result where it was asked for, and as text to standard output unless it goes there in another form.

    Files are named after the text, so that the answer is the first thing on the screen and they are the last.

    Parameters
    ----------
    json, html
        What ``--json`` and ``--html`` name; None for a form that was not asked for, which is then not made.
    as_json, as_page
        Make the result's forms.
    as_text
        Makes its text for what an encoding can show.

    Raises
    ------
    UsageError
        If something cannot be written.
    """
    if html is not None:
        _write(html, as_page().encode("utf-8", "backslashreplace"))
    if json is not None:
        from canlens.reports.json_form import json_bytes

        _write(json, json_bytes(as_json()))
    if STANDARD_STREAM not in (json, html):
        say(as_text(encoding_of(sys.stdout)))
    for name in (html, json):
        if name not in (None, STANDARD_STREAM):
            tell(f"Wrote {name}.\n")


def _write(target: str, content: bytes) -> None:
    if target == STANDARD_STREAM:
        say_bytes(content)
    else:
        replace_file(Path(target), content)
