"""Environment: the templates of pages, in which every foreign text stays text."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from canlens.reports import words
from canlens.reports.characters import visible

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


KEPT = "\u00a0"
"""The blank between a number and its unit, at which no line is broken."""


@cache
def page_environment() -> Environment:
    """Return the environment that all pages share; its templates lie in ``canlens/reports/page/templates``.

    Everything that a template prints is escaped, and what would act on the text around it (control characters, marks
    that turn the writing direction) is shown as an escape. A name that a template uses and nobody gave is an error.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 – only wanted where a page is

    environment = Environment(
        loader=PackageLoader("canlens.reports.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalized,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["words"] = words
    environment.filters |= {
        "seconds": words.seconds,
        "milliseconds": words.milliseconds,
        "percent": words.percent,
        "sentence": words.sentence,
        "listed": words.listed,
    }
    return environment


def inline(text: str) -> Markup:
    """Return a text of our own (style, script, JSON) that a page takes as it is."""
    from markupsafe import Markup  # noqa: PLC0415 – as above

    return Markup(text)  # noqa: S704 – never given anything foreign but JSON without ``<``


def _finalized(value: object) -> object:
    """Make a text fit to stand in a page; markup stays as it is, and so do blanks that keep a unit in its line."""
    return KEPT.join(map(visible, value.split(KEPT))) if type(value) is str else value
