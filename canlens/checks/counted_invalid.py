"""counted-invalid: a control's signal showed a value that looks invalid, and the plan counts it as on or off.

Looks for
    Rows of a control whose bits are all set, or whose name in the value table says error or not available, where the
    plan does not list that value as unknown. What the value table calls invalid is unknown by itself, unless the plan
    says that it means on.
Why it matters
    A sensor that says "not available" while it starts, or fails, would look like an operation.
Evidence
    Signal, value, how it counts, number of rows; lines of the first ones.
Cannot tell
    Whether the value is a real one: a signal may use its whole range.
Next step
    List the raw value under "unknown" of the control, unless it is a real one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, lines_of
from canlens.plan.rule import ON
from canlens.results.finding import Finding
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find values that look invalid and count nevertheless, one finding for each value."""
    for name, own in evidence.controls.items():
        reference = evidence.plan.controls[name].condition.reference
        for raw, state, places in own.invalid:
            text = reference.definition.table.get(raw)
            meaning = f"'{text}'" if text is not None else "all its bits set"
            yield Finding(
                check="counted-invalid",
                severity="note",
                subject=(name,),
                claim=(
                    f"{reference.path} showed {raw} ({meaning}) in {counted(len(places), 'row')}, which the plan "
                    f"counts as {name} {'on' if state == ON else 'off'}."
                ),
                evidence=lines_of(places),
                cannot_tell="Whether it is a real value or says that there is none.",
                next_step=f"List it in the plan, unless it is a real one: [controls.{name}] unknown = [{raw}].",
                would_change="The value listed as unknown, or never seen.",
            )


CHECK = Check("counted-invalid", find)
