"""restarting-controller: an output did otherwise than planned just while the controller fell silent and returned.

Looks for
    Silences of all messages of the controller while others came, and outputs that missed an exercise, dropped or went
    off at a wrong time from one and a half seconds before such a silence until one and a half after it; a timer may
    have begun anew. What an output did then is not held against it, nor is it proven.
Why it matters
    A controller that starts anew forgets what it was doing. The fault is its supply, its ground or its plug, seldom
    the output.
Evidence
    How often and how long it was silent; log lines of what the outputs did.
Cannot tell
    Why it fell silent; and what the outputs would have done.
Next step
    Measure supply and ground at the controller's own plug while the outputs turn on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.judging import deviations
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution
from canlens.wording import listed, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find restarts of the controller that took an output along."""
    found = [(name, each) for name in evidence.outputs for each in deviations(evidence, name)]
    hidden = [(name, each) for name, each in found if each.excused_by == "restart"]
    if not hidden or evidence.supply is None:
        return
    node = evidence.plan.controller.node or "The controller"
    names = tuple(dict.fromkeys(name for name, _ in hidden))
    outputs = [evidence.plan.outputs[name] for name in names]
    silent_s = evidence.supply.restarts_s[:, 1] - evidence.supply.restarts_s[:, 0]
    silent = f"fell silent {times(len(silent_s))}, at the longest for {silent_s.max():.1f} s, and came back"
    cautions = filter(None, (*(safety_caution(each.safety, "") for each in outputs), MEASURE_LIVE))
    yield Finding(
        check="restarting-controller",
        severity="failure",
        safety=any(each.safety is not None for each in outputs),
        subject=(node, *names),
        claim=f"{node} {silent}; {listed(map(called, outputs))} did not do as planned then.",
        evidence=lines_of(*(each.steps for _, each in hidden)),
        cannot_tell=f"Why it fell silent, and whether {listed(names)} would have done as planned.",
        next_step=f"Measure supply and ground of {node} at its own plug while {listed(names)} turns on.",
        would_change=f"Messages of {node} without a break while every control is operated.",
        caution=" ".join(dict.fromkeys(cautions)),
    )


CHECK = Check("restarting-controller", find)
