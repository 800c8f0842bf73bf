"""Normal behaviour: what whoever uses the vehicle might take for a fault."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.rule_words import plain_name, rule_words

if TYPE_CHECKING:
    from canlens.job import JobDetails
    from canlens.plan import Plan


def normal_behaviour(plan: Plan, details: JobDetails | None) -> list[str]:
    """Return what was explained, and what the plan says of timers, dimming and flashing, a sentence each."""
    told = list(details.explained) if details else []
    for name, output in plan.outputs.items():
        who = plain_name(name)
        if output.run_on_s:
            told.append(f"{who} stays on {output.run_on_s:g} s longer.")
        if output.cut_after_s:
            told.append(f"{who} goes off by itself after {output.cut_after_s:g} s.")
        if output.level_night is not None and output.night:
            told.append(f"{who} is dimmed while {plain_name(output.night)} is on.")
        if output.flash_when is not None:
            told.append(f"{who} flashes while {rule_words(output.flash_when)}.")
    return told
