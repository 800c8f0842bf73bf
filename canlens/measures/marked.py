"""Marked: to which of several recordings of a job the marks belong."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.clock import HAND_NOTED_S
from canlens.plan.nouns import REST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.evidence import ControlEvidence, Evidence

TWICE = 0.5
"""Where so many of the marks of the recording with fewest lie in another one as well, they are not of both (our
choice)."""


def with_own_marks(every: Sequence[Evidence]) -> tuple[Evidence, ...]:
    """Leave marks that lie in several recordings to the one whose controls they fit best.

    Nobody was in two recordings at once; but marks that count from the first frame lie in each of them, and would make
    every control that rested in one of them look dead.

    Parameters
    ----------
    every
        The recordings of one job.

    Returns
    -------
    tuple
        As they were, where each mark lies in one recording.
    """
    written = sum(each.label != REST for each in every[0].marks) if every else 0
    inside = np.array([sum(_number(own) for own in each.controls.values()) for each in every])
    if (inside > 0).sum() < 2 or inside.sum() - written < TWICE * inside[inside > 0].min():  # noqa: PLR2004 – several
        return tuple(every)
    best = int(np.argmax([sum(_fitting(own) for own in each.controls.values()) for each in every]))
    return tuple(each if index == best else _without(each) for index, each in enumerate(every))


def _number(own: ControlEvidence) -> int:
    return 0 if own.marked is None else len(own.marked)


def _fitting(own: ControlEvidence) -> int:
    """Count the marks of a control that have an exercise near them."""
    if own.marked is None or not len(own.exercises):
        return 0
    apart = np.abs(own.marked[:, None] - own.exercises.time_s[None, :]).min(axis=1)
    return int((apart <= HAND_NOTED_S).sum())


def _without(evidence: Evidence) -> Evidence:
    """Return a recording as if nothing had been marked in it."""
    controls = {name: replace(own, marked=None) for name, own in evidence.controls.items()}
    return replace(evidence, marks=(), controls=controls)
