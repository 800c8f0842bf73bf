"""unused-entry: an entry of the DBC could not be used as it stands.

Looks for
    Problems that were met while the databases of the plan were read; everything else in them is used.
Why it matters
    A signal that is defined wrongly decodes wrongly, and the install is blamed for it.
Evidence
    Lines of the database, what stood there and what was expected.
Cannot tell
    What the author meant.
Next step
    Mend the line; run the check again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, Check
from canlens.findings import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.evidence import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find unusable entries of the databases."""
    for each in evidence.recording.database_problems[:MOST_LINES]:
        place = f"line {each.line}" if each.line else "the file"
        yield Finding(
            check="unused-entry",
            severity="note",
            subject=(),
            claim=f"DBC, {place}: found {each.found}; expected {each.expected}.",
            cannot_tell="What the author meant.",
            next_step="Mend this line of the DBC and run the check again.",
            would_change="A DBC without it.",
        )


CHECK = Check("unused-entry", find)
