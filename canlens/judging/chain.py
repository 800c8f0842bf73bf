"""Chain: the state of each link from the bus to the load – seen to hold, seen broken, or cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.results.check import LINKS, LinkState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.judging.deviations import Judged
    from canlens.nouns.outputs import ControlEvidence, Places
    from canlens.plan import Plan

LINES_OF_LINK = 3
"""Lines named for one link: enough to find the place."""


def chain(judged: Judged) -> dict[str, LinkState]:
    """Tell for each link of an output's chain whether it was seen to hold, seen broken, or cannot be told."""
    evidence, own = judged.evidence, judged.own
    links: dict[str, LinkState] = dict.fromkeys(LINKS, "cannot-tell")
    if not evidence.frames:
        links["traffic"] = "broken"
        return links
    controls = [evidence.controls[control] for control in judged.output.when.controls]
    timers = [timer for timer in (own.release, own.cut_off) if timer is not None]
    has_load = own.load is not None and (own.load.has_current or own.load.has_voltage)
    held = {
        "traffic": True,
        "control-change": all(len(each.exercises) for each in controls),
        "controller": own.message_seen if evidence.controller_seen is None else evidence.controller_seen,
        "commanded": own.judged_from == "bus" and len(own.answers.answered),
        "output": has_load and len(own.answers.answered),
        "load": own.confirmed,
        "release": any(timer.completed for timer in timers),
    }
    links |= {link: "seen" for link, is_seen in held.items() if is_seen}
    links["control-message"] = _control_message(evidence.plan, controls)
    links["noticed"] = _noticed(controls)
    if evidence.controller_seen is False:
        links["controller"] = "broken"
    broken = [*(each.link for each in judged.wrongs), *(excuse.link for _, excuse in judged.excused)]
    return links | {link: "broken" for link in broken if link}


def links_evidence(judged: Judged) -> dict[str, tuple[int, ...]]:
    """Name the first lines that show a link broken, or else seen; of one recording only, since lines count in a file.

    Links that have no line of their own are left out: a message that never came, or a load that only the eye sees.
    """
    own = judged.own
    if own.judged_from != "bus" or len(own.scenes) > 1:
        return {}
    found = {
        "control-change": [judged.evidence.controls[control].exercises for control in judged.output.when.controls],
        "commanded": [own.answers.answered],
    }
    for link in ("commanded", "output", "release"):
        wrong = [each.steps for each in judged.wrongs if each.link == link]
        found |= {link: wrong} if wrong else {}
    lines = {link: _first_lines(found.get(link, [])) for link in LINKS}
    return {link: first for link, first in lines.items() if first}


def _first_lines(steps: Sequence[Places]) -> tuple[int, ...]:
    """Return the first lines of some steps, in file order."""
    return tuple(sorted({int(line) for each in steps for line in each.line})[:LINES_OF_LINK])


def _control_message(plan: Plan, controls: Sequence[ControlEvidence]) -> LinkState:
    """Judge whether the messages of the rule's controls came; one sent only on a change may just be silent."""
    absent = [each.name for each in controls if not each.message_seen]
    if not absent:
        return "seen"
    messages = [plan.controls[name].condition.reference.message for name in absent]
    return "broken" if any(message.cycle_time_s is not None for message in messages) else "cannot-tell"


def _noticed(controls: Sequence[ControlEvidence]) -> LinkState:
    """Judge whether the controller says that it saw the controls it should have seen."""
    if any(each.is_unheard for each in controls):
        return "broken"
    told = [each for each in controls if each.noticed is not None and len(each.exercises)]
    return "seen" if len(told) == len(controls) else "cannot-tell"
