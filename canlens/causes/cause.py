"""Candidate: one cause of the catalogue, with its manual page and what it predicts of each symptom."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.findings import Scope

Chances = Mapping[str, float]
"""Value of a symptom -> chance of it; they add up to 1."""
Subject = tuple[str, ...]


@dataclass(frozen=True)
class Symptom:
    """One thing that evidence may show, with few values.

    Attributes
    ----------
    name
        As tables name it.
    asks
        What it asks, in a few words.
    usual
        Chance of each value where nothing that the question is about is wrong.
    """

    name: str
    asks: str
    usual: Chances


@dataclass(frozen=True)
class Sign:
    """A symptom as it was seen: its value, and the sentence that says so."""

    symptom: str
    value: str
    sentence: str


@dataclass(frozen=True)
class Suspect:
    """Where a cause may be at work: the subject, and how well it explains what was seen beside its rivals."""

    subject: Subject
    share: float = 1.0
    sentence: str = ""


@dataclass(frozen=True)
class Case:
    """One question put to one subject: its answers exclude each other.

    Attributes
    ----------
    question
        Name of the question.
    subject
        What it is about; empty for the whole bus.
    signs
        What was seen; what could not be seen is left out.
    suspects
        Cause -> where it may be at work, for causes that ask for more than the subject; none: it is impossible here.
    left
        What other faults leave unexplained, 1 for all.
    fine, unknown
        How well "nothing is wrong", and a fault that no table describes, explain what was seen beside the suspects.
    words
        What the sentences of a test need: ``output``, ``terminal``, ``node`` and so on.
    safety
        Safety item of the output concerned, if it is one.
    """

    question: str
    subject: Subject
    signs: tuple[Sign, ...]
    suspects: Mapping[str, tuple[Suspect, ...]] = field(default_factory=dict)
    left: float = 1.0
    fine: float = 1.0
    unknown: float = 1.0
    words: Mapping[str, str] = field(default_factory=dict)
    safety: str | None = None


@dataclass(frozen=True)
class Candidate:
    """One cause of the catalogue.

    Attributes
    ----------
    name, scope
        As results bear them.
    question
        The question that it answers; causes of one question exclude each other.
    weight
        How common it is beside others before anything is seen. It is a judgement of the trade, no statistic:
        8 is everyday, 4 common, 2 now and then, 1 rare.
    chances
        Symptom -> chance of each of its values if this cause is at work; symptoms that it does not touch are left out.
    module
        The file that holds it.
    """

    name: str
    scope: Scope
    question: str
    weight: float
    chances: Mapping[str, Chances]
    module: str

    @property
    def docstring(self) -> str:
        """The docstring of the file that holds the cause."""
        return sys.modules[self.module].__doc__ or ""

    @property
    def manual(self) -> str:
        """The manual page: the docstring, and the table of what the cause predicts."""
        rows = [f"Weight before anything is seen: {self.weight:g} (8 everyday, 4 common, 2 now and then, 1 rare)."]
        for symptom, chances in self.chances.items():
            told = ", ".join(f"{value} {chance * 100:.3g} %" for value, chance in chances.items())
            rows.append(f"{symptom}: {told}.")
        table = "\n\n".join(f"    {row}" for row in rows)
        return f"{self.docstring.rstrip()}\n\nTable\n{table}\n"
