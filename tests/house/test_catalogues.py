"""The catalogues of checks and causes are complete, and every entry has a manual page."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canlens import causes, checks

if TYPE_CHECKING:
    from canlens.causes import Candidate
    from canlens.checks import Check

PACKAGE = Path(__file__).parents[2] / "canlens"
CHECK_HEADINGS = ("Looks for", "Why it matters", "Evidence", "Cannot tell", "Next step")
CAUSE_HEADINGS = ("What is wrong", "Speaks for it", "Speaks against it", "Next test")


def file_names(folder: str, noun: str) -> set[str]:
    return {path.stem.replace("_", "-") for path in (PACKAGE / folder).glob("*.py")} - {"--init--", noun}


def test_every_file_of_checks_is_in_the_catalogue_once() -> None:
    names = [check.name for check in checks.ALL]
    assert len(names) == len(set(names))
    assert set(names) == file_names("checks", "entry")


def test_every_cause_of_its_files_is_in_the_catalogue_once() -> None:
    names = [cause.name for cause in causes.ALL]
    assert len(names) == len(set(names))
    modules = (import_module(f"canlens.causes.{path.stem}") for path in (PACKAGE / "causes").glob("[a-z]*.py"))
    found = {each.name for module in modules for each in vars(module).values() if isinstance(each, causes.Candidate)}
    assert set(names) == found


@pytest.mark.parametrize("check", checks.ALL, ids=lambda check: check.name)
def test_every_check_has_its_manual_page(check: Check) -> None:
    lines = check.manual.splitlines()
    assert lines[0].startswith(f"{check.name}: ")
    assert [line for line in lines if line in CHECK_HEADINGS] == list(CHECK_HEADINGS)


@pytest.mark.parametrize("cause", causes.ALL, ids=lambda cause: cause.name)
def test_every_cause_has_its_manual_page(cause: Candidate) -> None:
    lines = cause.manual.splitlines()
    assert lines[0].startswith(f"{cause.name}: ")
    assert [line for line in lines if line in CAUSE_HEADINGS] == list(CAUSE_HEADINGS)
