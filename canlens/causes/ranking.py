"""Ranking: every question put to the evidence in turn, and the causes that stand out told to a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens.causes import bus, controller, errors, loads, release, routing, shared_causes
from canlens.causes.cause import SYMPTOMS
from canlens.causes.trials import Trial, best_trial, sentence
from canlens.causes.weighing import Asked, answers_to
from canlens.results.finding import Cause

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canlens.causes.cause import Candidate, Case
    from canlens.causes.weighing import CauseAnswer
    from canlens.nouns.outputs import Evidence
    from canlens.results.finding import Scope


# Ranking: every question put to the evidence in turn, and the causes that stand out told to a person.


PSEUDO = ("none-of-these", "not-enough-evidence")
"""Answers that name no cause."""
LEAST = 0.05
"""Causes below this are not told."""
SAID = 3
"""So many sentences for and against a cause are said, the weightiest first."""
UNSHOWN = "nothing shows any output of the plan"
WEIGHTY = 0.7
"""A sign counts for or against where it is twice as probable under one of the two (natural logarithm)."""


class Question(NamedTuple):
    """A question: its name, the scope of an unknown answer, the subjects to which it is put.

    ``tells_unknown``: whether a fault that no table describes is told; not where a question after it says so.
    """

    name: str
    scope: Scope
    cases: Callable[[Asked], Iterator[Case]]
    tells_unknown: bool = True


QUESTIONS: tuple[Question, ...] = (
    Question("traffic", "bus", bus.traffic_cases),
    Question("shared", "controller", shared_causes.cases, tells_unknown=False),
    Question("controller", "controller", controller.cases),
    Question("ground", "controller", controller.ground_cases, tells_unknown=False),
    Question("messages", "bus", bus.message_cases),
    Question("loss", "bus", bus.loss_cases, tells_unknown=False),
    Question("identifiers", "bus", bus.identifier_cases),
    Question("errors", "bus", errors.cases),
    Question("sleep", "bus", bus.sleep_cases),
    Question("control", "control", controller.control_cases),
    Question("load", "output", loads.cases),
    Question("routing", "output", routing.cases),
    Question("release", "output", release.release_cases),
    Question("level", "output", release.level_cases),
    Question("flashing", "output", release.flash_cases),
)
"""In the order of the chain: what an earlier answer explains is taken off the later ones."""


def weighed(evidence: Evidence, catalogue: Sequence[Candidate]) -> tuple[Cause, ...]:
    """Put every question and return the causes that stand out, most probable first."""
    asked = Asked(evidence)
    told: list[Cause] = []
    for question in QUESTIONS:
        candidates = [each for each in catalogue if each.question == question.name]
        for case in question.cases(asked):
            answers = answers_to(case, candidates)
            asked.found[question.name, case.subject] = answers
            told += [
                _told(asked, case, each, answers, question.scope)
                for each in answers
                if each.probability >= LEAST and (each.candidate or question.tells_unknown)
            ]
    if evidence.recording.quality == "poor":
        told = []  # whatever it seems to show may be the fault of the recording
    elif not evidence.fits:  # or of another vehicle's plan, but for what keeps all traffic away
        traffic = {each.name for each in catalogue if each.question == QUESTIONS[0].name}
        told = [each for each in told if each.cause in traffic]
    told = _once(told)
    if not told and (reason := _too_little(evidence)):
        told = [_not_enough(reason)]
    return tuple(sorted(told, key=lambda each: -each.probability))


def _told(asked: Asked, case: Case, answer: CauseAnswer, answers: Sequence[CauseAnswer], scope: Scope) -> Cause:
    """Tell one answer to a person."""
    name = answer.candidate.name if answer.candidate else PSEUDO[0]
    rival = next((each.candidate.name for each in answers if each.candidate and each.candidate.name != name), None)
    trial = best_trial(name, rival)
    signs = sorted(answer.signs, key=lambda each: -abs(each[0]))
    because = [sign.sentence for weight, sign in signs if weight > WEIGHTY]
    against = [sign.sentence for weight, sign in signs if weight < -WEIGHTY]
    if answer.suspect.sentence:
        because.insert(0, answer.suspect.sentence)
    return Cause(
        cause=name,
        scope=answer.candidate.scope if answer.candidate else scope,
        subject=answer.suspect.subject,
        probability=round(answer.probability, 4),
        because=tuple(because[:SAID]),
        against=tuple(against[:SAID]),
        next_test=sentence(trial, name, rival, case.words),
        caution=_caution(asked, answer, trial, case),
    )


def _caution(asked: Asked, answer: CauseAnswer, trial: Trial, case: Case) -> str:
    """Return the caution of a test, for every safety item among the outputs concerned."""
    outputs = asked.evidence.plan.outputs
    cautions = [trial.caution(outputs[name].safety) for name in answer.suspect.subject if name in outputs]
    cautions = cautions or [trial.caution(case.safety)]
    return " ".join(dict.fromkeys(each for each in cautions if each))


def _once(told: list[Cause]) -> list[Cause]:
    """Keep each cause at each subject once, at its most probable: both of two exchanged outputs name the same."""
    best: dict[tuple[str, tuple[str, ...]], Cause] = {}
    for each in told:
        key = each.cause, each.subject
        if key not in best or best[key].probability < each.probability:
            best[key] = each
    return list(best.values())


def _too_little(evidence: Evidence) -> str:
    """Say why nothing can be told; empty where something can."""
    if evidence.recording.quality == "poor":
        return f"the recording is poor: {evidence.recording.quality_reasons[0]}"
    if not evidence.outputs:
        return ""
    if not evidence.fits:
        return "hardly any message of the plan is on this bus: is it another vehicle's DBC or recording?"
    if all(each.judged_from == "nothing" for each in evidence.outputs.values()):
        return UNSHOWN
    if not any(len(each.answers.due) for each in evidence.outputs.values()):
        return "no exercise was made that could be judged"
    return ""


def _not_enough(reason: str) -> Cause:
    return Cause(
        cause=PSEUDO[1],
        scope="output",
        subject=(),
        probability=1.0,
        because=(reason,),
        next_test=(
            "Watch the outputs: operate every control as often as the plan asks, note when each output goes on and "
            "off, and give the notes as observations."
            if reason == UNSHOWN
            else "Record again, every control operated as often as the plan asks, with marks."
        ),
    )


# Weighing: symptoms from the evidence, and what each cause's table makes of them.


__all__ = ["PSEUDO", "SYMPTOMS", "weighed"]
