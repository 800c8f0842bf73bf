"""Templates of what is printed: foreign names stay text."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Template


def template(name: str) -> Template:
    """Return a template of this folder; what it is filled with is escaped, and what is missing is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 – only wanted here

    loader = PackageLoader("canlens.reports", "sheet")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True).get_template(name)
