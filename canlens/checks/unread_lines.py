"""unread-lines: some lines of the recording could not be used.

Looks for
    Lines that the format's reader could not read; all others were used.
Why it matters
    An edge may have stood in them. A few at the end are a cut file; many are a recorder that lost frames.
Evidence
    Line numbers, what stood there and what was expected (see the recording's problems).
Cannot tell
    What they said.
Next step
    Record again if they lie where a control was operated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, Check
from canlens.results.finding import Finding, Lines
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find a recording with unusable lines."""
    own = evidence.recording
    if not own.problem_count:
        return
    first = own.problems[0]
    count = own.problem_count
    yield Finding(
        check="unread-lines",
        severity="warning",
        subject=(),
        claim=f"{counted(count, 'line')} could not be read, the first at {first.line}: {first.found}",
        evidence=Lines(tuple(each.line for each in own.problems[:MOST_LINES] if each.line)),
        cannot_tell="What stood there.",
        next_step="Record again if these lines lie where a control was operated.",
        would_change="A recording without such lines.",
    )


CHECK = Check("unread-lines", find)
