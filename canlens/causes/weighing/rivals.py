"""Rivals: what else than its own rule explains an output that goes wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.measures.answers import answers
from canlens.measures.mapping import told_apart
from canlens.plan.rule import OFF, ON, Rule, parse_rule

if TYPE_CHECKING:
    from canlens.evidence import Evidence, Track


@dataclass(frozen=True)
class Followed:
    """What an output follows.

    Attributes
    ----------
    value
        As the symptom ``follows`` has it.
    text
        The rule; empty where none is known.
    partners
        Outputs with which it may be exchanged.
    """

    value: str
    text: str = ""
    partners: tuple[str, ...] = ()

    @property
    def partner(self) -> str:
        """The likeliest output that it may be exchanged with; empty where there is none."""
        return self.partners[0] if self.partners else ""


def followed(evidence: Evidence, name: str, wrong: set[str], *, is_only_late: bool) -> Followed:
    """Tell what an output follows.

    Parameters
    ----------
    evidence
        What was measured.
    name
        An output that does not do as planned.
    wrong
        All such outputs: only one of these can be exchanged with another.
    is_only_late
        Whether it answered every exercise, though too late, and did nothing else wrong.
    """
    track = evidence.outputs[name].track
    outputs = evidence.plan.outputs
    others = [each for each in outputs if each != name and not outputs[each].when.same_as(outputs[name].when)]
    takes = [each for each in others if each in wrong and _follows(evidence, name, each)]
    mutual = tuple(each for each in takes if _follows(evidence, each, name))
    if mutual:
        return Followed("exchanged", str(outputs[mutual[0]].when), mutual)
    if is_only_late:
        return Followed("own")
    own = (parse_rule(text, tuple(evidence.plan.controls)) for text in evidence.outputs[name].seen.rules)
    if any(rule.same_as(outputs[name].when) for rule in own):
        return Followed("own")
    if takes and (track is None or _ever(track)):
        return Followed("another's", str(outputs[takes[0]].when), tuple(takes))
    if rule := _other_rule(evidence, name):
        return Followed("other", rule)
    return Followed("none")


def _follows(evidence: Evidence, name: str, planned_for: str) -> bool:
    """Tell whether an output does all that the plan asks of another one."""
    track, own = evidence.outputs[name].track, evidence.outputs[planned_for]
    wanted, names = evidence.plan.outputs[planned_for].when, tuple(evidence.plan.controls)
    if any(parse_rule(text, names).same_as(wanted) for text in evidence.outputs[name].seen.rules):
        return True
    if track is None or not len(track.state) or not len(own.rule.state):
        return False
    one, other = evidence.plan.outputs[name], evidence.plan.outputs[planned_for]
    within_s = max(one.within_s, other.within_s)
    run_on_s = (other.run_on_s or 0.0) + (other.run_on_tolerance_s if other.run_on_s else 0.0)
    found = answers(own.rule, track, within_s=within_s, run_on_s=run_on_s)
    if len(found.unanswered) or len(found.late) or len(found.unasked):
        return False
    if other.cut_after_s is not None:
        return len(found.answered) > 0
    return not told_apart(own.rule, track, longer_than_s=within_s + track.slack_s + own.rule.slack_s + run_on_s)


def _other_rule(evidence: Evidence, name: str) -> str:
    """Return the simplest rule, not its own, that explains an output which changes; empty where there is none."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    track = own.track
    if track is not None and not _ever(track):
        return ""
    names = tuple(evidence.plan.controls)
    for text in own.seen.rules:
        if not parse_rule(text, names).same_as(output.when):
            return text
    if track is None:
        return ""
    run_on_s = (output.run_on_s or 0.0) + (output.run_on_tolerance_s if output.run_on_s else 0.0)
    for control, each in evidence.controls.items():
        if Rule.of(control).same_as(output.when) or not _ever(each.track):
            continue
        found = answers(each.track, track, within_s=output.within_s, run_on_s=run_on_s)
        if not found.answered or len(found.unanswered) or len(found.unasked) or len(found.late):
            continue
        longest_s = output.within_s + track.slack_s + each.track.slack_s + run_on_s
        if output.cut_after_s is not None or not told_apart(each.track, track, longer_than_s=longest_s):
            return control
    return ""


def _ever(track: Track) -> bool:
    """Tell whether a state is seen both on and off."""
    return bool((track.state == ON).any() and (track.state == OFF).any())
