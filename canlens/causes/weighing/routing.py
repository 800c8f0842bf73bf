"""Routing: which rule an output follows, and how soon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Case, Sign, Suspect
from canlens.causes.weighing.asked import counted, outside, yes
from canlens.causes.weighing.restarts import restart_spans
from canlens.causes.weighing.rivals import Followed, followed
from canlens.causes.weighing.words import output_words
from canlens.measures.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON, parse_rule

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing.asked import Asked
    from canlens.evidence import Evidence, OutputEvidence, Track

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
