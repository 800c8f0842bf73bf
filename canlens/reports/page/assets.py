"""Assets: the style and script of pages, and the rule by which the browser runs nothing else."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


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
