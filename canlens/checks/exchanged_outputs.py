"""exchanged-outputs: two outputs follow each other's rules.

Looks for
    Two outputs, the exercises of each explained by the other's rule, all or all but a few, not by its own.
Why it matters
    Controller, supply and bus work; two settings or two plugs are exchanged. It is quickly mended.
Evidence
    The exercises that each of them did not answer, and those of the other that it did.
Cannot tell
    Whether the settings are exchanged, the plugs behind the controller, or the plan.
Next step
    Exchange the two in the controller's configuration, then operate the controls of both again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.judging import wrongs
from canlens.judging.deviations import ANSWERS
from canlens.results.finding import Finding, safety_caution
from canlens.wording import listed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find pairs of outputs that are exchanged, each pair once."""
    outputs, told = evidence.plan.outputs, set[str]()
    for name in outputs:
        found = wrongs(evidence, name, *ANSWERS)
        other = found[0].instead.partner if found and found[0].instead.value == "exchanged" else ""
        if not other or name in told:
            continue
        told |= {name, other}
        found += wrongs(evidence, other, *ANSWERS)
        pair = (outputs[name], outputs[other])
        controls = dict.fromkeys(control for each in pair for control in each.when.controls)
        yield Finding(
            check="exchanged-outputs",
            severity="failure",
            safety=any(each.safety for each in pair),
            subject=(name, other),
            claim=(
                f"{called(pair[0])} and {called(pair[1])} are exchanged: {name} follows '{pair[1].when}', "
                f"{other} follows '{pair[0].when}'."
            ),
            evidence=lines_of(*(each.steps for each in found)),
            cannot_tell="Whether the settings are exchanged, the plugs behind the controller, or the plan.",
            next_step=(
                f"Exchange {name} and {other} in the controller's configuration, then operate {listed(controls)} "
                "three times each."
            ),
            would_change=f"{name} following '{pair[0].when}' and {other} following '{pair[1].when}'.",
            caution=" ".join(dict.fromkeys(filter(None, (safety_caution(each.safety, "") for each in pair)))),
        )


CHECK = Check("exchanged-outputs", find)
