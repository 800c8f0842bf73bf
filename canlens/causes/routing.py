"""Routing: which rule an output follows, and how soon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.weighing import output_words, yes
from canlens.judging import followed, wrongs
from canlens.judging.deviations import ANSWERS
from canlens.nouns.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.judging import Followed
    from canlens.nouns.outputs import Evidence, OutputEvidence

NAME = "routing"
ALIKE = 0.3
"""Delays that differ from their median by no more than this share, beside what rows hide, are one (our choice)."""
MOST = 0.5
"""From this share of the exercises on that are answered late, being late is the rule."""


@dataclass(frozen=True)
class ControlTally:
    """How the exercises of an output went, those left out that something excuses.

    ``still_on`` counts those that met an output which was on already; ``is_alike`` tells whether those that are late
    are so by about the same time.
    """

    answered: int
    late: int
    unanswered: int
    still_on: int
    unasked: int
    is_alike: bool = True

    @property
    def due(self) -> int:
        """Exercises that tell something."""
        return self.answered + self.late + self.unanswered

    @property
    def unwanted(self) -> int:
        """How often it was on without being asked."""
        return self.unasked + self.still_on


def tally(evidence: Evidence, name: str) -> ControlTally:
    """Count how the exercises of an output went."""
    own = evidence.outputs[name]
    steps = {each.kind: each.steps for each in wrongs(evidence, name, *ANSWERS)}
    open_s = steps["unanswered"].time_s if "unanswered" in steps else np.zeros(0)
    on = int((own.track.at(open_s, side="left") == ON).sum()) if own.track is not None else 0
    late = len(steps.get("late", ()))
    late_s = own.answers.late_s
    slack_s = own.rule.slack_s + (own.track.slack_s if own.track is not None else 0.0)
    middle_s = float(np.median(late_s)) if len(late_s) else 0.0
    is_alike = bool(len(late_s)) and float(np.median(np.abs(late_s - middle_s))) <= ALIKE * middle_s + slack_s
    forgiven = _forgiven(own, evidence.plan.outputs[name].within_s) if late else 0
    return ControlTally(
        answered=len(own.answers.answered) - forgiven,
        late=late + forgiven,
        unanswered=len(open_s) - on,
        still_on=on,
        is_alike=is_alike,
        unasked=len(steps.get("unasked", ())) if own.shown is None or len(own.shown.rises) else 0,
    )


def _forgiven(own: OutputEvidence, within_s: float) -> int:
    """Count the answers that came after their time, and were not late only because rows come seldom."""
    return int((own.answers.latency_s > within_s + own.rule.slack_s + ROUNDING_S).sum())


def cases(asked: Asked) -> Iterator[Case]:
    """Put the question to every output that something shows."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    for name, own in evidence.outputs.items():
        if own.judged_from == "nothing":
            continue
        output, one, rule = evidence.plan.outputs[name], tally(evidence, name), followed(evidence, name)
        state = _state(own, one)
        signs = [*_answer_signs(one), *_state_signs(state, own)]
        if (one.due or one.unwanted) and (state == "changes" or rule.value == "exchanged"):
            signs.append(_hindered(own) or _rule_sign(name, rule, str(output.when)))
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
        follows = str(rule.rules[0]) if rule.rules else ""
        yield Case(
            NAME,
            (name,),
            tuple(signs),
            suspects={"outputs-swapped": pairs},
            left=(1 - max(asked.wrong("control", (control,)) for control in output.when.controls))
            * (1 - asked.wrong("load", (name,), but=["load-open", "output-not-fed"]))
            * (1 - asked.wrong("controller", (), but=["supply-sag"]))
            * (1 - asked.explained(name)),
            words=output_words(evidence, name, other=rule.partner, rule=follows),
            safety=output.safety,
        )


def _answer_signs(one: ControlTally) -> Iterator[Sign]:
    """Tell how the exercises went."""
    if one.due:
        value = "all" if one.answered == one.due else "some" if one.answered else "none"
        yield Sign("answers", value, f"{one.answered} of {counted(one.due, 'exercise')} answered in time")
    if came := one.answered + one.late:
        value = "none" if not one.late else "most" if one.late >= MOST * one.due and one.is_alike else "some"
        yield Sign("late", value, f"{one.late} of {counted(came, 'answer')} too late")
    if one.due or one.unwanted:
        yield yes("unasked", one.unwanted, f"on without being asked ({one.unwanted}×)", "never on without being asked")


def _state(own: OutputEvidence, one: ControlTally) -> str:
    """Tell whether the output ever changed; empty where that says nothing."""
    if own.shown is None:
        return ("changes" if one.answered or one.late or one.unasked else "always off") if one.due else ""
    if own.shown.shows(ON, OFF):
        return "changes"
    if own.shown.shows(ON):
        return "always on" if own.is_always_on else ""
    return "always off" if own.shown.shows(OFF) and one.due else ""


def _state_signs(state: str, own: OutputEvidence) -> Iterator[Sign]:
    words = {
        "changes": "it turns on and off",
        "always on": "it is on from the first row to the last, though its rule was off",
        "always off": f"it was never seen on, through {counted(len(own.rule.rises), 'exercise')}",
    }
    if state:
        yield Sign("state", state, words[state])


def _hindered(own: OutputEvidence) -> Sign | None:
    """Tell of a condition that the plan does not know; None where there is none, or a rule explains more."""
    found = own.hindrance
    if found is None or own.is_always_on or own.seen.rules:
        return None
    presses = f"every one of the {found.exercises} exercises that failed"
    return Sign("follows", "other", f"{presses} was made while {found.path} = {found.value:g}, and no other")


def _rule_sign(name: str, rule: Followed, planned: str) -> Sign:
    follows = f"{name} follows '{next(iter(rule.rules), '')}'"
    words = {
        "own": f"what {name} does fits '{planned}'",
        "exchanged": f"{follows}, and {rule.partner} follows '{planned}'",
        "another's": f"{follows}, the rule of {rule.partner}",
        "other": follows,
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
