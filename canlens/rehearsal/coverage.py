"""Coverage: which faults a recording with a plan's exercises would show, found out by rehearsing each of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.checkup import check
from canlens.plan import Marks
from canlens.rehearsal.rehearsals import FAULTS, rehearse, subjects_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.plan import Plan
    from canlens.rehearsal.install import Subject
    from canlens.rehearsal.rehearsals import Rehearsal
    from canlens.results.check import CheckResult

Signs = frozenset[tuple[str, tuple[str, ...]]]
MOST_SUBJECTS = 3
"""Outputs, controls or nodes into which one fault is built at most."""
LIKELY = 0.5
"""A cause above this probability counts as named."""


@dataclass(frozen=True)
class Covered:
    """What became of one fault.

    Attributes
    ----------
    cause
        The fault.
    subjects
        What it was built into, one after the other; empty where the plan has nothing that could have it.
    shown
        How many of them the check of the recording shows in any way, with the marks.
    measured
        How many more it shows with the readings of the meter.
    named
        How often it names the right cause first, with marks and readings.
    """

    cause: str
    subjects: tuple[Subject, ...]
    shown: int
    measured: int
    named: int


def cover(plan: Plan, *, seed: int = 1, tell: Callable[[str], None] | None = None) -> tuple[Covered, ...]:
    """Rehearse every fault that this plan can have, and check each recording.

    Parameters
    ----------
    plan
        Its exercises are drawn as for any rehearsal.
    seed
        All that is drawn follows from it.
    tell
        Is told each cause before it is rehearsed.

    Returns
    -------
    tuple of Covered
        In the order of the catalogue of rehearsals.
    """
    sound = _signs(_checked(plan, rehearse(plan, seed=seed), with_meter=True))
    found = []
    for cause, fault in FAULTS.items():
        if not fault.is_cause:
            continue
        if tell is not None:
            tell(cause)
        subjects = tuple(subjects_of(plan, cause, seed=seed)[:MOST_SUBJECTS])
        outcomes = [_outcome(plan, cause, subject, sound, seed) for subject in subjects]
        found.append(Covered(cause, subjects, *(sum(one[place] for one in outcomes) for place in range(3))))
    return tuple(found)


def _outcome(plan: Plan, cause: str, subject: Subject, sound: Signs, seed: int) -> tuple[bool, bool, bool]:
    """Tell whether one fault is shown by the recording, shown by the meter only, and named first."""
    wish = f"{cause}:{','.join(subject)}" if subject else cause
    rehearsal = rehearse(plan, fault=wish, strength=0.5, seed=seed)
    shown = bool(_signs(_checked(plan, rehearsal, with_meter=False)) - sound)
    result = _checked(plan, rehearsal, with_meter=True)
    measured = not shown and bool(_signs(result) - sound)
    first = result.causes[0] if result.causes else None
    return shown, measured, first is not None and first.cause == cause and set(first.subject) >= set(subject)


def _checked(plan: Plan, rehearsal: Rehearsal, *, with_meter: bool) -> CheckResult:
    readings = rehearsal.readings if with_meter else None
    return check(plan, rehearsal.trace, marks=Marks("", rehearsal.marks), readings=readings).result


def _signs(result: CheckResult) -> Signs:
    """Return what a result says: its failures and warnings, its likely causes, and its verdicts."""
    findings = {(one.check, tuple(one.subject)) for one in result.findings if one.severity != "note"}
    causes = {(one.cause, tuple(one.subject)) for one in result.causes if one.probability > LIKELY}
    verdicts = {(f"output {one.verdict}", (name,)) for name, one in result.outputs.items()}
    return frozenset(findings | causes | verdicts)
