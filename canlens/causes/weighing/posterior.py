"""Posterior: how probable each answer to a question is, by Bayes' rule with the printed tables.

References
----------
Bayes' rule with symptoms that are independent once the cause is given: Pearl, Probabilistic Reasoning in Intelligent
Systems (1988), 2.1 and 2.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.causes.cause import Suspect
from canlens.causes.weighing.symptoms import BY_NAME

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canlens.causes.cause import Candidate, Case, Sign

FINE_WEIGHT = 1000.0
"""Weight of the answer that nothing is wrong, beside causes of 1 to 8: about one question in fifty hides a fault. A
judgement; it makes a single odd symptom a doubt and no verdict."""
NONE_WEIGHT = 0.5
"""Weight of a fault that no table describes."""
UNTOUCHED = 0.6
"""Chance that such a fault leaves a symptom as usual; its other values are as probable as each other."""
SMALLEST = 1e-12


@dataclass(frozen=True)
class Answer:
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


def answers_to(case: Case, candidates: Iterable[Candidate]) -> list[Answer]:
    """Return every answer but that all is fine, most probable first; what other faults explain is taken off."""
    fine = _log(FINE_WEIGHT * case.fine) + sum(_log(_usual(sign)) for sign in case.signs)
    rows = list(_rows(case, candidates))
    logs = [_log(weight) + sum(_log(chance) for chance in chances) for _, _, weight, chances in rows]
    highest = max(fine, *logs)
    total = math.exp(fine - highest) + sum(math.exp(each - highest) for each in logs)
    found = [
        Answer(candidate, suspect, case.left * math.exp(log - highest) / total, _compared(case, chances))
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
