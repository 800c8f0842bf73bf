"""Asked: what every question is put to – the evidence, and what the questions before it found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Sign

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.causes.weighing.posterior import Answer
    from canlens.evidence import Evidence, Steps
    from canlens.trace import Bools

AFTERMATH_S = 1.0
"""An output may take this long after a restart of the controller until it does as planned again."""


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
    found: dict[tuple[str, tuple[str, ...]], list[Answer]] = field(default_factory=dict)

    def wrong(self, question: str, subject: tuple[str, ...], *, but: Iterable[str] = ()) -> float:
        """Return how probable it is that an earlier question found something wrong there, some causes left out."""
        left_out = set(but)
        return sum(
            each.probability
            for each in self.found.get((question, subject), [])
            if each.candidate is None or each.candidate.name not in left_out
        )

    def probability(self, cause: str) -> float:
        """Return how probable a cause is at its likeliest subject."""
        every = (each for answers in self.found.values() for each in answers)
        return max((each.probability for each in every if each.candidate and each.candidate.name == cause), default=0.0)

    def of_controller(self) -> bool:
        """Tell whether anything can be asked of outputs at all: there is traffic."""
        return self.evidence.frames > 0


def yes(symptom: str, number: int, sentence: str, otherwise: str) -> Sign:
    """Return the sign of a symptom that is there or not."""
    return Sign(symptom, "yes", sentence) if number else Sign(symptom, "no", otherwise)


def outside(steps: Steps, spans_s: Iterable[tuple[float, float]]) -> Bools:
    """Tell which steps lie outside some spans [s]; those inside are explained by them."""
    kept = np.ones(len(steps), np.bool_)
    for start_s, stop_s in spans_s:
        kept &= (steps.time_s < start_s) | (steps.time_s > stop_s)
    return kept


def counted(number: int, noun: str) -> str:
    """Say a number with its noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
