"""undeclared-value: signals showed values that their definition does not know.

Looks for
    Values outside the declared range, and values without a text where the table names all the others.
Why it matters
    A wrong start bit, length, byte order or factor shows first in values that cannot be.
Evidence
    Signal, how many frames, least and greatest of these values, the declared range; lines of the first ones.
Cannot tell
    Whether the definition or the declared range is wrong: many databases declare ranges carelessly.
Next step
    Compare the signal with what the display or the meter shows at the same moment.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import OddValue


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find undeclared values: signals of the plan's messages one by one, the others together."""
    definitions = evidence.definitions
    odd = [each for each in definitions.odd_values if each.kind in {"range", "table"}]
    for each in odd:
        if definitions.concerns_plan(each.path):
            yield Finding(
                check="undeclared-value",
                severity="warning",
                subject=(each.path,),
                claim=f"{each.path} showed {_values(each)} in {each.count} of {each.frames} frames; {_declared(each)}.",
                evidence=lines_of(each.places),
                cannot_tell="Whether the signal's layout or only its declaration is wrong.",
                next_step=f"Compare {each.path} with what can be seen or measured at the same moment.",
                would_change="Values that the database declares.",
            )
    rest = [each for each in odd if not definitions.concerns_plan(each.path)]
    if rest:
        shown = some(f"{each.path} ({_values(each)}; {_declared(each)})" for each in rest)
        yield Finding(
            check="undeclared-value",
            severity="warning" if definitions.planned is None else "note",
            subject=tuple(each.path for each in rest[:1]),
            claim=f"{len(rest)} signals showed values that the databases do not declare: {shown}.",
            evidence=lines_of(*(each.places for each in rest)),
            cannot_tell="Whether their layout or only their declaration is wrong.",
            next_step="Trust these signals only after a comparison with what can be seen or measured.",
            would_change="Values that the databases declare.",
        )


def _values(value: OddValue) -> str:
    unit = f" {value.unit}" if value.unit else ""
    if value.least == value.greatest:
        return f"{value.least:g}{unit}"
    return f"{value.least:g} to {value.greatest:g}{unit}"


def _declared(value: OddValue) -> str:
    return f"the table names {value.declared}" if value.kind == "table" else f"declared is {value.declared}"


CHECK = BusCheck("undeclared-value", find)
