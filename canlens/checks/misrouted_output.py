"""misrouted-output: an output follows another rule than the planned one.

Looks for
    An output whose exercises are explained by a rule that is not its own, all of them or all but a few: the smallest
    rule over the controls that agrees with the settings seen, or the rule of another output. Two outputs that follow
    each other's rules are told as exchanged-outputs.
Why it matters
    Controller, supply and bus work; one setting or two plugs are exchanged. It is the commonest mistake and the
    quickest mended.
Evidence
    The rule that fits, how many exercises it explains, the rules that fit as well.
Cannot tell
    Whether the setting or the wiring behind the output is exchanged, when other rules fit as well: which one it is.
Next step
    Correct the assignment in the controller's configuration, then exercise both controls again.
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

    from canlens.nouns.outputs import Evidence, SeenRules
    from canlens.plan import Rule


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that follow a rule, but not their own."""
    for name, output in evidence.plan.outputs.items():
        found = wrongs(evidence, name, *ANSWERS)
        if not found or found[0].instead.value not in {"another's", "other"}:
            continue
        fits = found[0].instead.rules
        others = [
            other.name
            for other in evidence.plan.outputs.values()
            if other is not output and fits[0].same_as(other.when)
        ]
        whose = f", which is the rule of {' and '.join(others)}" if others else ""
        how = _how(evidence.outputs[name].seen, fits[0])
        as_well = f" These rules fit as well: {', '.join(map(str, fits[1:4]))}." if fits[1:] else ""
        yield Finding(
            check="misrouted-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name, *others),
            claim=f"{called(output)} follows '{fits[0]}'{whose}{how}; planned is '{output.when}'.{as_well}",
            evidence=lines_of(*(each.steps for each in found)),
            cannot_tell="Whether the setting is exchanged or the plan: both would look like this.",
            next_step=(
                f"Set {name} to '{output.when}' in the controller's configuration, then operate "
                f"{listed(dict.fromkeys((*output.when.controls, *fits[0].controls)))} three times each."
            ),
            would_change=f"{name} following '{output.when}' and nothing else.",
            caution=safety_caution(output.safety, ""),
        )


def _how(seen: SeenRules, rule: Rule) -> str:
    """Say what is to be known of the rule that fits: that it latches, and what it leaves unexplained."""
    if rule not in seen.rules[:1]:
        return ""
    turns = ", on by one exercise and off by the next" if seen.is_latching else ""
    some = f", in {seen.explained} of {seen.exercises} exercises" if seen.explained < seen.exercises else ""
    return f"{turns}{some}"


CHECK = Check("misrouted-output", find)
