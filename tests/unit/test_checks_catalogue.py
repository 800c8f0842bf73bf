"""Every check of the catalogue: it fires, stays silent, is right at its limit, and guesses nothing from too little.

The cases stand in the other modules of this name, ``test_checks_*.py``, in a dictionary ``CASES`` by name of the check.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canlens.checks import ALL
from tests.unit.check_cases import healthy
from tests.unit.small_jobs import without_frames

if TYPE_CHECKING:
    from canlens.results.finding import Finding
    from tests.unit.check_cases import Cases
    from tests.unit.small_jobs import Job


def cases_of_all() -> dict[str, Cases]:
    """Collect the cases of all modules."""
    found: dict[str, Cases] = {}
    for file in sorted(Path(__file__).parent.glob("test_checks_*.py")):
        if file != Path(__file__):
            found |= getattr(import_module(f"tests.unit.{file.stem}"), "CASES", {})
    return found


CASES = cases_of_all()
NAMES = [check.name for check in ALL]


def said(finding: Finding) -> str:
    return f"{finding.claim} {finding.cannot_tell} {finding.next_step} {finding.would_change} {finding.caution}"


def has_true_lines(one: Job, finding: Finding, messages: frozenset[str]) -> None:
    """Require that the evidence names frames of these messages, in file order and with their times."""
    lines, times_s = finding.evidence.lines, finding.evidence.times_s
    assert list(lines) == sorted(set(lines))
    assert {one.message_of(line) for line in lines} == messages
    assert [one.time_of(line) for line in lines] == pytest.approx(times_s, abs=1e-9)


def test_every_check_has_its_cases() -> None:
    assert sorted(CASES) == sorted(NAMES)


@pytest.mark.parametrize("name", CASES)
def test_it_fires(name: str) -> None:
    cases = CASES[name]
    one = cases.fires()
    found = one.findings(name)
    assert found
    assert found[0].subject == cases.subject
    for finding in found:
        assert finding.check == name
        assert finding.claim.endswith((".", "(17600"))
        assert all((finding.cannot_tell, finding.next_step, finding.would_change))
        assert "nan" not in said(finding).split()
        assert "inf" not in said(finding).split()
        assert "None" not in said(finding)
    if cases.messages:
        has_true_lines(one, found[0], cases.messages)


@pytest.mark.parametrize("name", CASES)
def test_it_stays_silent(name: str) -> None:
    assert CASES[name].silent().findings(name) == []


@pytest.mark.parametrize("name", CASES)
def test_it_is_right_exactly_at_its_limit(name: str) -> None:
    cases = CASES[name]
    assert bool(cases.limit().findings(name)) == cases.limit_fires


@pytest.mark.parametrize("name", CASES)
def test_it_guesses_nothing_from_too_little(name: str) -> None:
    cases = CASES[name]
    assert bool(cases.little().findings(name)) == cases.little_fires


@pytest.mark.parametrize("name", NAMES)
def test_no_check_stumbles_over_an_empty_recording(name: str) -> None:
    one = without_frames(healthy())
    assert bool(one.findings(name)) == (name == "no-traffic")
