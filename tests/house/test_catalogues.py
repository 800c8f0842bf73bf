"""The catalogues of checks and causes are complete, and every entry has a manual page."""

from __future__ import annotations

import inspect
from importlib import import_module
from pathlib import Path
from types import FunctionType, ModuleType
from typing import TYPE_CHECKING

import pytest

from canlens import causes, checks
from canlens.checks.entry import name_of

if TYPE_CHECKING:
    from canlens.causes import Candidate
    from canlens.checks import Check

PACKAGE = Path(__file__).parents[2] / "canlens"
CHECK_HEADINGS = ("Looks for", "Why it matters", "Evidence", "Cannot tell", "Next step")
CAUSE_HEADINGS = ("What is wrong", "Speaks for it", "Speaks against it", "Next test")


def rooms_of(folder: str) -> list[ModuleType]:
    return [import_module(f"canlens.{folder}.{path.stem}") for path in (PACKAGE / folder).glob("[a-z]*.py")]


def test_every_check_of_its_rooms_is_in_the_catalogue_once() -> None:
    names = [check.name for check in checks.ALL]
    assert len(names) == len(set(names))
    functions = [each for room in rooms_of("checks") for each in vars(room).values() if isinstance(each, FunctionType)]
    found = {name_of(each) for each in functions if (inspect.getdoc(each) or "").startswith(f"{name_of(each)}: ")}
    assert set(names) == found


def test_every_cause_of_its_files_is_in_the_catalogue_once() -> None:
    names = [cause.name for cause in causes.ALL]
    assert len(names) == len(set(names))
    found = {
        each.name
        for module in rooms_of("causes")
        for each in vars(module).values()
        if isinstance(each, causes.Candidate)
    }
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
