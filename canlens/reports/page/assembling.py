"""Assembling: a template with what it shows becomes one file that needs nothing else and runs nothing foreign."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from canlens import wording
from canlens.reports.layout import visible
from canlens.results.form import version

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from jinja2 import Environment
    from markupsafe import Markup

    from canlens.reports.pictures import Picture


# Assets: the style and script of pages, and the rule by which the browser runs nothing else.


def asset(name: str) -> str:
    """Return a text file that lies beside the templates."""
    return (files("canlens.reports.page") / "templates" / name).read_text(encoding="utf-8")


def policy(scripts: Iterable[str]) -> str:
    """Return a content security policy under which only these scripts run and nothing is fetched.

    Parameters
    ----------
    scripts
        Their texts as they stand in the page.

    References
    ----------
    W3C Content Security Policy Level 3, 2.3.1 (hash sources).
    """
    hashes = " ".join(f"'sha256-{_digest(each)}'" for each in scripts)
    return f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:"


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


# Environment: the templates of pages, in which every foreign text stays text.


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
    environment.filters |= {
        "seconds": wording.seconds,
        "milliseconds": wording.milliseconds,
        "percent": wording.percent,
        "sentence": wording.sentence,
        "listed": wording.listed,
    }
    return environment


def inline(text: str) -> Markup:
    """Return a text of our own (style, script, JSON) that a page takes as it is."""
    from markupsafe import Markup  # noqa: PLC0415 – as above

    return Markup(text)  # noqa: S704 – never given anything foreign but JSON without ``<``


def _finalized(value: object) -> object:
    """Make a text fit to stand in a page; markup stays as it is, and so do blanks that keep a unit in its line."""
    return KEPT.join(map(visible, value.split(KEPT))) if type(value) is str else value


# Assembling: a template with what it shows becomes one file that needs nothing else.


PLACES = {"latencies": "table", "intervals": "table"}
"""Section in which a picture stands, by the beginning of its name; all others stand in the time line."""


def assembled(template: str, pictures: Sequence[Picture], **shown: Any) -> str:
    """Write a page.

    Parameters
    ----------
    template
        Name of the template.
    pictures
        What is drawn, in order.
    **shown
        What else the template shows.
    """
    script, library = asset("page.js"), _library() if pictures else ""
    return (
        page_environment()
        .get_template(template)
        .render(
            style=inline(asset("page.css")),
            script=inline(script),
            library=inline(library),
            policy=inline(policy(each for each in (library, script) if each)),
            pictures=[_view(each) for each in pictures],
            version=version(),
            **shown,
        )
    )


def _library() -> str:
    from canlens.reports.pictures import plotly_script  # noqa: PLC0415 – only wanted where there is a picture

    return plotly_script()


def _view(picture: Picture) -> dict[str, object]:
    """Return a picture for the templates; ``<`` is written so that no script can end inside the data."""
    return {
        "anchor": f"picture-{picture.name}",
        "place": PLACES.get(picture.name.partition("-")[0], "timeline"),
        "title": picture.title,
        "caption": picture.caption,
        "alternative": picture.alternative,
        "data": inline(picture.figure.replace("<", "\\u003c")),
    }
