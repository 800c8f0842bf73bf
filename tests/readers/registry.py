"""Every reader of the registry with the format that its own test declares."""

from __future__ import annotations

import os
from importlib import import_module
from importlib.util import find_spec
from typing import TYPE_CHECKING

import pytest

from canlens.readers import ALL

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.readers.formats import Format

WITHOUT_FRAMES = "empty"


def format_of(reader: str) -> Format:
    """Return what the test of a reader says of its format; without such a test the suite does not start."""
    form: Format = import_module(f"tests.readers.test_{reader.replace(' ', '_')}").FORMAT
    return form


FORMATS = tuple(format_of(reader.name) for reader in ALL if reader.name != WITHOUT_FRAMES)


def every(which: Callable[[Format], bool] = lambda _: True) -> pytest.MarkDecorator:
    """Run a test once with each format, or with each of some."""
    return pytest.mark.parametrize(
        "form",
        [pytest.param(form, marks=_skipped_without(form.needs)) for form in FORMATS if which(form)],
        ids=lambda form: form.name,
    )


def _skipped_without(package: str) -> list[pytest.MarkDecorator]:
    is_missing = bool(package) and find_spec(package) is None and "mf4" not in os.environ.get("CANLENS_REQUIRE", "")
    return [pytest.mark.skip(reason=f"{package} is not installed")] if is_missing else []
