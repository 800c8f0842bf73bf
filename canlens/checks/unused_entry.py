"""unused-entry: an entry of the databases could not be used as it stands.

Looks for
    Entries that were mended or dropped while the databases of the plan were read; everything else in them is used.
Why it matters
    A signal that is defined wrongly decodes wrongly, and the install is blamed for it.
Evidence
    File and line, what stood there, what was expected, what was done with it and the likely mend.
Cannot tell
    What the author meant.
Next step
    Mend the line; run the check again.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, Check
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import DatabaseProblem
    from canlens.nouns.outputs import Evidence

FEW = 3
"""Up to so many entries are told one by one, wherever they stand."""


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find unusable entries of the databases: those about the plan's messages one by one, the others together."""
    problems = evidence.plan.database.problems
    definitions = evidence.bus_evidence.definitions
    own = [each for each in problems if definitions.concerns_plan(each.message)]
    rest = [each for each in problems if not definitions.concerns_plan(each.message)]
    few = rest if sum(each.count for each in rest) <= FEW else []
    for each in own[:MOST_LINES]:
        yield _finding(each, is_own=True)
    for each in few:
        yield _finding(each, is_own=False)
    if len(own) > MOST_LINES:
        yield _together(own[MOST_LINES:])
    if rest and not few:
        yield _together(rest)


def _finding(problem: DatabaseProblem, *, is_own: bool) -> Finding:
    count = f" ({problem.count} times)" if problem.count > 1 else ""
    done = f" {problem.done}" if problem.done else ""
    return Finding(
        check="unused-entry",
        severity="warning" if is_own else "note",
        subject=(problem.message,) if problem.message else (),
        claim=f"{_place(problem)}: found {problem.found}{count}; expected {problem.expected}.{done}",
        cannot_tell="What the author meant.",
        next_step=problem.mend or "Mend this line of the database and run the check again.",
        would_change="A database without it.",
    )


def _together(problems: list[DatabaseProblem]) -> Finding:
    """Put many problems into one finding, file by file."""
    files = Counter[str]()
    for each in problems:
        files[each.file] += each.count
    counts = some(f"{count} in {file or 'the database'}" for file, count in files.items())
    lines = some((f"line {each.line}: {each.found}" for each in problems), most=FEW)
    return Finding(
        check="unused-entry",
        severity="note",
        subject=(),
        claim=f"Entries that could not be used as they stand: {counts} ({lines}).",
        cannot_tell="What the author meant.",
        next_step="Nothing, unless the plan needs one of them; canlens.read_database(...).problems lists all.",
        would_change="A database without them.",
    )


def _place(problem: DatabaseProblem) -> str:
    file = problem.file or "DBC"
    return f"{file}, line {problem.line}" if problem.line else file


CHECK = Check("unused-entry", find)
