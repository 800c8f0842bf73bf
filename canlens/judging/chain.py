"""Chain: the state of each link from the bus to the load – seen to hold, seen broken, or cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.judging.wrongs import load_wrongs, look_wrongs, moved_only_on_paper
from canlens.results.check import LINKS, LinkState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.outputs import ControlEvidence, Evidence, OutputEvidence, Places
    from canlens.plan import Output

LINES_OF_LINK = 3
"""Lines named for one link: enough to find the place."""


def chain(evidence: Evidence, name: str) -> dict[str, LinkState]:
    """Tell for each link of an output's chain whether it was seen to hold, seen broken, or cannot be told."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    links: dict[str, LinkState] = dict.fromkeys(LINKS, "cannot-tell")
    if not evidence.frames:
        links["traffic"] = "broken"
        return links
    links["traffic"] = "seen"
    controls = [evidence.controls[control] for control in output.when.controls]
    links["control-message"] = _control_message(evidence, output)
    links["control-change"] = _control_change(evidence, controls)
    if evidence.controller_seen is not None:
        links["controller"] = "seen" if evidence.controller_seen else "broken"
    elif own.message_seen:
        links["controller"] = "seen"
    links["noticed"] = _noticed(evidence, output)
    links["commanded"] = _commanded(own, output)
    links["output"] = _output(own)
    if own.confirmed or len(own.disagreed):
        links["load"] = "broken" if len(own.disagreed) else "seen"
    links["release"] = _release(own)
    return links


def links_evidence(evidence: Evidence, name: str) -> dict[str, tuple[int, ...]]:
    """Name the first lines that show a link broken, or else seen; of one recording only, since lines count in a file.

    Links that have no line of their own are left out: a message that never came, or a load that only the eye sees.
    """
    own, controls = evidence.outputs[name], evidence.plan.outputs[name].when.controls
    if own.judged_from != "bus" or len(own.scenes) > 1:
        return {}
    found, load = own.answers, own.load
    timers = [timer for timer in (own.release, own.cut_off) if timer is not None]
    looks = [look for look in (own.day, own.night, own.flash) if look is not None]
    wrong: dict[str, list[Places]] = {
        "commanded": [found.unanswered, found.late, found.unasked, *(look.wrong for look in looks)],
        "output": [load.no_current, load.no_voltage, load.over_peak, load.over_continuous, load.current_when_off]
        if load
        else [],
        "release": [own.dropped, *(timer.wrong for timer in timers), *(timer.overdue for timer in timers)],
    }
    right: dict[str, list[Places]] = {
        "control-change": [evidence.controls[control].exercises for control in controls],
        "commanded": [found.answered],
    }
    lines = {link: _first_lines(wrong.get(link, [])) or _first_lines(right.get(link, [])) for link in LINKS}
    return {link: first for link, first in lines.items() if first}


def _first_lines(steps: Sequence[Places]) -> tuple[int, ...]:
    """Return the first lines of some steps, in file order."""
    return tuple(sorted({int(line) for each in steps for line in each.line})[:LINES_OF_LINK])


def _control_message(evidence: Evidence, output: Output) -> LinkState:
    """Judge whether the messages of the rule's controls came; one sent only on a change may just be silent."""
    absent = [name for name in output.when.controls if not evidence.controls[name].message_seen]
    if not absent:
        return "seen"
    messages = [evidence.plan.controls[name].condition.reference.message for name in absent]
    return "broken" if any(message.cycle_time_s is not None for message in messages) else "cannot-tell"


def _control_change(evidence: Evidence, controls: Sequence[ControlEvidence]) -> LinkState:
    """Judge whether the controls' signals moved."""
    if any(moved_only_on_paper(evidence, each.name) for each in controls):
        return "broken"
    return "seen" if all(len(each.exercises) for each in controls) else "cannot-tell"


def _noticed(evidence: Evidence, output: Output) -> LinkState:
    """Judge whether the controller says that it saw the controls it should have seen."""
    told = [
        (evidence.controls[name].noticed, len(evidence.controls[name].exercises))
        for name in output.when.controls
        if evidence.controls[name].noticed is not None
    ]
    told = [(noticed, exercises) for noticed, exercises in told if exercises]
    if not told or len(told) < len(output.when.controls):
        return "broken" if any(not noticed for noticed, _ in told) else "cannot-tell"
    return "seen" if all(noticed for noticed, _ in told) else "broken"


def _commanded(own: OutputEvidence, output: Output) -> LinkState:
    """Judge whether the controller commanded the output as its rule, level and flashing ask."""
    found = own.answers
    if own.judged_from != "bus":
        return "cannot-tell"
    if len(found.unanswered) or len(found.late) or len(found.unasked) or look_wrongs(own, output):
        return "broken"
    return "seen" if len(found.answered) else "cannot-tell"


def _output(own: OutputEvidence) -> LinkState:
    """Judge whether current or voltage followed the command."""
    if own.load is None or not (own.load.has_current or own.load.has_voltage):
        return "cannot-tell"
    if load_wrongs(own):
        return "broken"
    return "seen" if len(own.answers.answered) else "cannot-tell"


def _release(own: OutputEvidence) -> LinkState:
    """Judge whether the output went off as planned."""
    timers = [timer for timer in (own.release, own.cut_off) if timer is not None]
    if any(len(timer.wrong) or len(timer.overdue) for timer in timers) or len(own.dropped):
        return "broken"
    return "seen" if any(timer.completed for timer in timers) else "cannot-tell"
