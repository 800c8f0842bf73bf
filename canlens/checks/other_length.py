"""other-length: a message is longer or shorter than its database says.

Looks for
    Messages whose usual payload length is not the declared one.
Why it matters
    It may be another message under the same identifier: then its signals decode to nonsense. Signals behind the end of
    a short frame are never there.
Evidence
    Declared and recorded lengths with the number of frames; lines of the first ones.
Cannot tell
    Which of the two is wrong.
Next step
    Find out for which model the database was written; correct the length or look for the right database.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import OtherLength


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages of another length: those of the plan one by one, the others together."""
    definitions = evidence.definitions
    own = [each for each in definitions.lengths if definitions.concerns_plan(each.name)]
    for each in own:
        lost = f" {some(each.lost)} cannot be read from the shortest." if each.lost else ""
        yield Finding(
            check="other-length",
            severity="warning",
            subject=(each.name,),
            claim=f"{each.name} is declared with {each.declared} bytes but came with {_counts(each)}.{lost}",
            evidence=lines_of(each.places),
            cannot_tell="Whether the database or the sender is another model than thought.",
            next_step=f"Check {each.name} in the database: is it the message of this vehicle?",
            would_change=f"Frames of {each.declared} bytes.",
        )
    rest = [each for each in definitions.lengths if not definitions.concerns_plan(each.name)]
    if rest:
        names = some(f"{each.name} ({each.declared} declared, {_counts(each)})" for each in rest)
        yield Finding(
            check="other-length",
            severity="warning" if definitions.planned is None else "note",
            subject=tuple(each.name for each in rest[:1]),
            claim=f"Not as long as declared: {names}.",
            evidence=lines_of(*(each.places for each in rest)),
            cannot_tell="Whether the database is that of another model.",
            next_step="Trust signals of these messages only after a look at the database.",
            would_change="Frames as long as declared.",
        )


def _counts(message: OtherLength) -> str:
    return " and ".join(f"{length} in {count} frames" for length, count in sorted(message.counts.items())[:3])


CHECK = BusCheck("other-length", find)
