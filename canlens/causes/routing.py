"""Routing: which rule an output follows, and how soon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.weighing import output_words, outside, restart_spans, yes
from canlens.measures.outputs.answers import answers
from canlens.measures.outputs.tracks import ROUNDING_S
from canlens.measures.outputs.whole import told_apart
from canlens.plan.rule import OFF, ON, Rule, parse_rule
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.outputs import Evidence, OutputEvidence, Track


# Rivals: what else than its own rule explains an output that goes wrong.


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
    if takes and (track is None or _both_seen(track)):
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
    if track is not None and not _both_seen(track):
        return ""
    names = tuple(evidence.plan.controls)
    for text in own.seen.rules:
        if not parse_rule(text, names).same_as(output.when):
            return text
    if track is None:
        return ""
    run_on_s = (output.run_on_s or 0.0) + (output.run_on_tolerance_s if output.run_on_s else 0.0)
    for control, each in evidence.controls.items():
        if Rule.of(control).same_as(output.when) or not _both_seen(each.track):
            continue
        found = answers(each.track, track, within_s=output.within_s, run_on_s=run_on_s)
        if not found.answered or len(found.unanswered) or len(found.unasked) or len(found.late):
            continue
        longest_s = output.within_s + track.slack_s + each.track.slack_s + run_on_s
        if output.cut_after_s is not None or not told_apart(each.track, track, longer_than_s=longest_s):
            return control
    return ""


def _both_seen(track: Track) -> bool:
    """Tell whether a state is seen both on and off."""
    return bool((track.state == ON).any() and (track.state == OFF).any())


# Routing: which rule an output follows, and how soon.


NAME = "routing"
MOST = 0.5
"""From this share of the exercises on that are answered late, being late is the rule."""


@dataclass(frozen=True)
class Tally:
    """How the exercises of an output went, those left out that a restart of the controller explains.

    ``still_on`` counts those that met an output which was on already.
    """

    answered: int
    late: int
    unanswered: int
    still_on: int
    unasked: int

    @property
    def due(self) -> int:
        """Exercises that tell something."""
        return self.answered + self.late + self.unanswered

    @property
    def is_wrong(self) -> bool:
        """Whether anything was wrong."""
        return bool(self.unanswered or self.unasked or self.still_on or self.late)

    @property
    def is_only_late(self) -> bool:
        """Whether every exercise was answered, though too late, and nothing else was wrong."""
        return self.late > 0 and not (self.unanswered or self.unasked or self.still_on)


def tally(asked: Asked, name: str) -> Tally:
    """Count how the exercises of an output went."""
    own = asked.evidence.outputs[name]
    spans = restart_spans(asked.evidence)
    open_s = own.answers.unanswered.time_s[outside(own.answers.unanswered, spans)]
    on = own.track.at(open_s, side="left") == ON if own.track is not None else np.zeros(len(open_s), np.bool_)
    late = int(outside(own.answers.late, spans).sum())
    forgiven = _forgiven(own, asked.evidence.plan.outputs[name].within_s) if late else 0
    return Tally(
        answered=len(own.answers.answered) - forgiven,
        late=late + forgiven,
        unanswered=int((~on).sum()),
        still_on=int(on.sum()),
        unasked=int(outside(own.answers.unasked, spans).sum()) if _ever_rises(own) else 0,
    )


def _forgiven(own: OutputEvidence, within_s: float) -> int:
    """Count the answers that came after their time, and were not late only because rows come seldom."""
    return int((own.answers.latency_s > within_s + own.rule.slack_s + ROUNDING_S).sum())


def cases(asked: Asked) -> Iterator[Case]:
    """Put the question to every output that something shows."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    tallies = {name: tally(asked, name) for name in evidence.outputs}
    wrong = {
        name
        for name, each in tallies.items()
        if each.is_wrong or _is_constant(evidence.outputs[name]) or does_something_else(evidence, name)
    }
    for name, own in evidence.outputs.items():
        if own.judged_from == "nothing":
            continue
        one = tallies[name]
        state = _state(own, one)
        rule = followed(evidence, name, wrong, is_only_late=one.is_only_late) if name in wrong else Followed("own")
        signs = [*_answer_signs(one), *_state_signs(state, own)]
        if (one.due or one.unasked or one.still_on) and _is_told(state, rule):
            signs.append(_rule_sign(name, rule, str(evidence.plan.outputs[name].when)))
        if not signs:
            continue
        pairs = tuple(
            Suspect(
                (min(name, each), max(name, each)),
                1 / len(rule.partners),
                f"{name} and {each} can be exchanged for one another",
            )
            for each in rule.partners
        )
        yield Case(
            NAME,
            (name,),
            tuple(signs),
            suspects={"outputs-swapped": pairs},
            left=(1 - asked.wrong("load", (name,), but=["load-open"]))
            * (1 - asked.wrong("controller", (), but=["supply-sag"])),
            words=output_words(evidence, name, other=rule.partners[0] if rule.partners else "", rule=rule.text),
            safety=evidence.plan.outputs[name].safety,
        )


def does_something_else(evidence: Evidence, name: str) -> bool:
    """Tell whether rules explain what an output did, but not its own: then it goes off where its own holds."""
    names, planned = tuple(evidence.plan.controls), evidence.plan.outputs[name].when
    rules = evidence.outputs[name].seen.rules
    return bool(rules) and not any(parse_rule(each, names).same_as(planned) for each in rules)


def _answer_signs(one: Tally) -> Iterator[Sign]:
    """Tell how the exercises went."""
    if one.due:
        value = "all" if one.answered == one.due else "some" if one.answered else "none"
        yield Sign("answers", value, f"{one.answered} of {counted(one.due, 'exercise')} answered in time")
    if came := one.answered + one.late:
        value = "none" if not one.late else "most" if one.late >= MOST * one.due else "some"
        yield Sign("late", value, f"{one.late} of {counted(came, 'answer')} too late")
    if one.due or one.unasked or one.still_on:
        number = one.unasked + one.still_on
        yield yes("unasked", number, f"on without being asked ({number}×)", "never on without being asked")


def shown(own: OutputEvidence) -> Track | None:
    """Return the state of an output with its flashing bridged; None where nothing on the bus shows it."""
    bridged = own.scenes[-1].output if own.scenes else None
    return own.track if bridged is None else bridged


def _state(own: OutputEvidence, one: Tally) -> str:
    """Tell whether the output ever changed; empty where that says nothing."""
    track = shown(own)
    if track is None and one.due:
        return "changes" if one.answered or one.late or one.unasked else "always off"
    if track is None or not len(track.state):
        return ""
    is_on, is_off = bool((track.state == ON).any()), bool((track.state == OFF).any())
    if is_on and is_off:
        return "changes"
    if is_on:
        return "always on" if _ever(own.rule, OFF) else ""
    return "always off" if is_off and one.due else ""


def _is_constant(own: OutputEvidence) -> bool:
    """Tell whether an output stays on though its rule was off."""
    track = shown(own)
    return (
        track is not None
        and bool((track.state == ON).any())
        and not (track.state == OFF).any()
        and _ever(own.rule, OFF)
    )


def _ever_rises(own: OutputEvidence) -> bool:
    """Tell whether an output ever comes on, flashing left out; one that only eye or ear saw may have."""
    track = shown(own)
    return track is None or len(track.rises) > 0


def _ever(rule: Track, state: int) -> bool:
    return bool((rule.state == state).any())


def _state_signs(state: str, own: OutputEvidence) -> Iterator[Sign]:
    words = {
        "changes": "it turns on and off",
        "always on": "it is on from the first row to the last, though its rule was off",
        "always off": f"it was never seen on, through {counted(len(own.rule.rises), 'exercise')}",
    }
    if state:
        yield Sign("state", state, words[state])


def _is_told(state: str, rule: Followed) -> bool:
    """Tell whether it can be said what an output follows: it changes, or another one follows its rule."""
    return state == "changes" or rule.value == "exchanged"


def _rule_sign(name: str, rule: Followed, planned: str) -> Sign:
    words = {
        "own": f"what {name} does fits '{planned}'",
        "exchanged": f"{name} follows '{rule.text}', and {rule.partner} follows '{planned}'",
        "another's": f"{name} follows '{rule.text}', the rule of {rule.partner}",
        "other": f"{name} follows '{rule.text}'",
        "none": "no rule of one or two controls fits",
    }
    return Sign("follows", rule.value, words[rule.value])


OUTPUTS_SWAPPED = Candidate(
    name="outputs-swapped",
    scope="output",
    question="routing",
    weight=6,
    chances={
        "answers": {"all": 0.01, "some": 0.1, "none": 0.89},
        "late": {"none": 0.88, "some": 0.06, "most": 0.06},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.94, "always on": 0.03, "always off": 0.03},
        "follows": {"own": 0.005, "exchanged": 0.9, "another's": 0.06, "other": 0.005, "none": 0.03},
    },
    docstring="""outputs-swapped: two outputs each follow the other's rule.

What is wrong
    Two wires were exchanged at the controller's plug or at the loads, or two lines of its configuration.
Speaks for it
    Each of the two is silent when asked, and comes on with the other's control.
Speaks against it
    Only one of the two goes wrong; it follows a control of no other output.
Next test
    Exchange the two at the controller's plug, or in its configuration, and operate both controls once.
""",
)


OUTPUT_FOLLOWS_OTHER_CONTROL = Candidate(
    name="output-follows-other-control",
    scope="output",
    question="routing",
    weight=6,
    chances={
        "answers": {"all": 0.1, "some": 0.25, "none": 0.65},
        "late": {"none": 0.88, "some": 0.06, "most": 0.06},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.93, "always on": 0.03, "always off": 0.04},
        "follows": {"own": 0.01, "exchanged": 0.005, "another's": 0.3, "other": 0.635, "none": 0.05},
    },
    docstring="""output-follows-other-control: a rule, but not the planned one.

What is wrong
    The output is configured for another control, takes one condition too many or too few, or its trigger comes from
    another lamp's wire.
Speaks for it
    It comes on with another control, every time, and not with its own.
Speaks against it
    Another output follows this one's rule in return: then two are exchanged.
Next test
    Operate the control that it seems to follow, alone; then look up the output in the controller's configuration.
""",
)


OUTPUT_NOT_COMMANDED = Candidate(
    name="output-not-commanded",
    scope="output",
    question="routing",
    weight=8,
    chances={
        "answers": {"all": 0.001, "some": 0.029, "none": 0.97},
        "late": {"none": 0.98, "some": 0.01, "most": 0.01},
        "unasked": {"no": 0.98, "yes": 0.02},
        "state": {"changes": 0.03, "always on": 0.001, "always off": 0.969},
        "follows": {"own": 0.15, "exchanged": 0.005, "another's": 0.02, "other": 0.02, "none": 0.805},
    },
    docstring="""output-not-commanded: its control moves, the command never comes.

What is wrong
    The output is not assigned in the controller's configuration, is locked out after an over-current, a second
    condition is not met, or the profile was lost.
Speaks for it
    Exercises of its controls, none of them answered, and an output that is off from the first row to the last.
Speaks against it
    Any turning on.
Next test
    Look up the output in the controller's configuration; then ignition off and on, and operate its control once
    more.
""",
)


OUTPUT_ALWAYS_ON = Candidate(
    name="output-always-on",
    scope="output",
    question="routing",
    weight=4,
    chances={
        "answers": {"all": 0.05, "some": 0.1, "none": 0.85},
        "late": {"none": 0.97, "some": 0.02, "most": 0.01},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.03, "always on": 0.969, "always off": 0.001},
        "follows": {"own": 0.05, "exchanged": 0.01, "another's": 0.02, "other": 0.02, "none": 0.9},
    },
    docstring="""output-always-on: on from the first row to the last.

What is wrong
    The output is configured as a permanent supply, its driver is welded or shorted, or its trigger is a lamp that
    always burns dimly.
Speaks for it
    On in every row though its rule was off.
Speaks against it
    Any row in which it is off while the controller is awake.
Next test
    Take the load off and measure the terminal with all controls at rest.
""",
)


ANSWER_LATE = Candidate(
    name="answer-late",
    scope="output",
    question="routing",
    weight=4,
    chances={
        "answers": {"all": 0.01, "some": 0.19, "none": 0.8},
        "late": {"none": 0.002, "some": 0.1, "most": 0.898},
        "unasked": {"no": 0.92, "yes": 0.08},
        "state": {"changes": 0.99, "always on": 0.002, "always off": 0.008},
        "follows": {"own": 0.9, "exchanged": 0.005, "another's": 0.005, "other": 0.01, "none": 0.08},
    },
    docstring="""answer-late: right rule, later than planned.

What is wrong
    A delay or a soft start is configured, the controller waits for a second message, or the control's message comes
    too seldom.
Speaks for it
    Every exercise is answered, most of them later than the plan allows.
Speaks against it
    Answers in time; exercises without any answer.
Next test
    Read the times of five exercises: equal delays are configured, scattered ones come from the bus or the message's
    cycle.
""",
)
