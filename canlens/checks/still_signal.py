"""still-signal: signals never moved during the whole recording.

Looks for
    Signals with one raw value in all of their frames, at least twenty.
Why it matters
    What never moved was not exercised, or does not lie where the database says.
Evidence
    The signals and their raw values.
Cannot tell
    Whether the thing itself stood still.
Next step
    Operate what the signal stands for while recording, and look again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding
from canlens.wording import counted, some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import DefinitionEvidence, StillSignal


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find signals that never moved, in one finding each for the plan's messages and for the others."""
    definitions = evidence.definitions
    own = [each for each in definitions.still if definitions.concerns_plan(each.path)]
    rest = [each for each in definitions.still if not definitions.concerns_plan(each.path)]
    for found, whose in ((own, "in messages of the plan"), (rest, _whose(definitions))):
        if found:
            yield Finding(
                check="still-signal",
                severity="note",
                subject=tuple(each.path for each in found[:1]),
                claim=f"{counted(len(found), 'signal')} {whose} never moved: {some(map(_shown, found))}.",
                cannot_tell="Whether the thing itself stood still.",
                next_step="Operate what the signal stands for while recording, if it is needed.",
                would_change="A recording in which it moves.",
            )


def _whose(definitions: DefinitionEvidence) -> str:
    return "of the databases" if definitions.planned is None else "of other messages"


def _shown(signal: StillSignal) -> str:
    return f"{signal.path} (raw {signal.raw:g})"


CHECK = BusCheck("still-signal", find)
