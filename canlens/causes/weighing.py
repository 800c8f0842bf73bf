"""Weighing: what every question is put to, and how probable each answer is by Bayes' rule with the printed tables."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canlens.causes.cause import BY_NAME, Sign, Suspect
from canlens.judging.deviations import shared_messages

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canlens.causes.cause import Candidate, Case
    from canlens.nouns.outputs import Evidence


# Posterior: how probable each answer to a question is, by Bayes' rule with the printed tables.
#
# References
# ----------
# Bayes' rule with symptoms that are independent once the cause is given: Pearl, Probabilistic Reasoning in Intelligent
# Systems (1988), 2.1 and 2.2.


FINE_WEIGHT = 1000.0
"""Weight of the answer that nothing is wrong, beside causes of 1 to 8: about one question in fifty hides a fault. A
judgement; it makes a single odd symptom a doubt and no verdict."""
NONE_WEIGHT = 0.5
"""Weight of a fault that no table describes."""
UNTOUCHED = 0.6
"""Chance that such a fault leaves a symptom as usual; its other values are as probable as each other."""
SMALLEST = 1e-12


@dataclass(frozen=True)
class CauseAnswer:
    """One answer to a question: a cause at a suspect, or (no candidate) a fault that no table describes.

    Attributes
    ----------
    probability
        Posterior, 0 to 1.
    signs
        Each sign with the logarithm of how much better this answer predicts it than the answer that all is fine.
    """

    candidate: Candidate | None
    suspect: Suspect
    probability: float
    signs: tuple[tuple[float, Sign], ...]


def answers_to(case: Case, candidates: Iterable[Candidate]) -> list[CauseAnswer]:
    """Return every answer but that all is fine, most probable first; what other faults explain is taken off."""
    fine = _log(FINE_WEIGHT * case.fine) + sum(_log(_usual(sign)) for sign in case.signs)
    rows = list(_rows(case, candidates))
    logs = [_log(weight) + sum(_log(chance) for chance in chances) for _, _, weight, chances in rows]
    highest = max(fine, *logs)
    total = math.exp(fine - highest) + sum(math.exp(each - highest) for each in logs)
    found = [
        CauseAnswer(
            candidate,
            suspect,
            min(case.left * math.exp(log - highest) / total, suspect.most),
            _compared(case, chances),
        )
        for (candidate, suspect, _, chances), log in zip(rows, logs, strict=True)
    ]
    return sorted(found, key=lambda each: -each.probability)


def _rows(
    case: Case, candidates: Iterable[Candidate]
) -> Iterator[tuple[Candidate | None, Suspect, float, list[float]]]:
    """Yield each cause at each suspect, and the unknown fault: its weight, and the chance of every sign."""
    yield None, Suspect(case.subject), NONE_WEIGHT * case.unknown, [_unknown(sign) for sign in case.signs]
    for candidate in candidates:
        chances = [candidate.chances.get(sign.symptom, BY_NAME[sign.symptom].usual)[sign.value] for sign in case.signs]
        for suspect in case.suspects.get(candidate.name, (Suspect(case.subject),)):
            yield candidate, suspect, candidate.weight * suspect.share, chances


def _compared(case: Case, chances: list[float]) -> tuple[tuple[float, Sign], ...]:
    return tuple((_log(chance) - _log(_usual(sign)), sign) for chance, sign in zip(chances, case.signs, strict=True))


def _usual(sign: Sign) -> float:
    return BY_NAME[sign.symptom].usual[sign.value]


def _unknown(sign: Sign) -> float:
    usual = BY_NAME[sign.symptom].usual
    return UNTOUCHED if usual[sign.value] == max(usual.values()) else (1 - UNTOUCHED) / (len(usual) - 1)


def _log(value: float) -> float:
    return math.log(max(value, SMALLEST))


# Asked: what every question is put to – the evidence, and what the questions before it found.


@dataclass(frozen=True)
class Asked:
    """What a question is put to.

    Attributes
    ----------
    evidence
        What was measured.
    found
        (question, subject) -> the answers to it, of questions put before.
    """

    evidence: Evidence
    found: dict[tuple[str, tuple[str, ...]], list[CauseAnswer]] = field(default_factory=dict)

    def wrong(self, question: str, subject: tuple[str, ...], *, but: Iterable[str] = ()) -> float:
        """Return how probable it is that an earlier question found something wrong there, some causes left out."""
        left_out = set(but)
        return sum(
            each.probability
            for each in self.found.get((question, subject), [])
            if each.candidate is None or each.candidate.name not in left_out
        )

    def explained(self, output: str) -> float:
        """Return how probable it is that a cause of several outputs, or of a message, explains what one of them did."""
        every = (each for answers in self.found.values() for each in answers)
        total = sum(each.probability for each in every if output in each.suspect.explains)
        total += sum(self.wrong("identifiers", (each,)) for each in shared_messages(self.evidence, output))
        return min(1.0, total)

    def decided(self, *causes: str) -> float:
        """Return the probability of the likeliest of some causes where it is above one half; else 0."""
        likeliest = max(self.probability(each) for each in causes)
        return likeliest if likeliest > 0.5 else 0.0  # noqa: PLR2004 – rather yes than no

    def probability(self, cause: str) -> float:
        """Return how probable a cause is at its likeliest subject."""
        every = (each for answers in self.found.values() for each in answers)
        return max((each.probability for each in every if each.candidate and each.candidate.name == cause), default=0.0)


def yes(symptom: str, number: int, sentence: str, otherwise: str) -> Sign:
    """Return the sign of a symptom that is there or not."""
    return Sign(symptom, "yes", sentence) if number else Sign(symptom, "no", otherwise)


# Words: what the sentences of a test need to name.


def output_words(evidence: Evidence, name: str, *, other: str = "", rule: str = "") -> dict[str, str]:
    """Return the words that concern one output."""
    output = evidence.plan.outputs[name]
    controls = output.when.controls
    return {
        **bus_words(evidence),
        "output": name,
        "terminal": output.terminal or f"the terminal of {name}",
        "load": output.load or f"the load of {name}",
        "control": " and ".join(controls),
        "rule": str(output.when),
        "other": other or "the other output",
        "follows": rule or "another control",
        "within": f"{output.within_s:g} s",
        "run_on": f"{output.run_on_s or 0:g} s",
        "cut_off": f"{output.cut_after_s or 0:g} s",
    }


def bus_words(evidence: Evidence, **more: str) -> dict[str, str]:
    """Return the words that concern the bus and the controller."""
    plan = evidence.plan
    return {
        "node": plan.controller.node or "the controller",
        "output": "the output",
        "ignition": plan.bus.awake_while or "the ignition",
        "message": "the message",
        "control": "the control",
        "identifier": "the first identifier",
        **more,
    }
