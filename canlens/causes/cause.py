"""Candidate: one cause of the catalogue, what it predicts of each symptom, and the vocabulary of symptoms."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.results.finding import Scope


# Candidate: one cause of the catalogue, with its manual page and what it predicts of each symptom.


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
    """Where a cause may be at work.

    Attributes
    ----------
    subject
        What is at fault.
    share
        How well it explains what was seen beside its rivals.
    sentence
        What says so.
    explains
        Outputs whose own causes it makes needless, where it is the cause of several.
    most
        No more probable than this, since something that the tables do not weigh would show the same.
    """

    subject: Subject
    share: float = 1.0
    sentence: str = ""
    explains: tuple[str, ...] = ()
    most: float = 1.0


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
    docstring
        Its manual page, headings and all.
    """

    name: str
    scope: Scope
    question: str
    weight: float
    chances: Mapping[str, Chances]
    docstring: str

    @property
    def manual(self) -> str:
        """The manual page: the docstring, and the table of what the cause predicts."""
        rows = [f"Weight before anything is seen: {self.weight:g} (8 everyday, 4 common, 2 now and then, 1 rare)."]
        for symptom, chances in self.chances.items():
            told = ", ".join(f"{value} {chance * 100:.3g} %" for value, chance in chances.items())
            rows.append(f"{symptom}: {told}.")
        table = "\n\n".join(f"    {row}" for row in rows)
        return f"{self.docstring.rstrip()}\n\nTable\n{table}\n"


# Symptoms: the vocabulary in which causes say what they predict, with the chances where nothing is wrong.
#
# The chances are judgements, written down before any recording was judged by them: what a healthy install shows nearly
# always gets a chance close to 1, what a stray disturbance or a slip of the person's hand may show once in a hundred
# recordings about 0.01. What passes the plan's own tolerance in a steady stretch hardly ever does so by chance.


SYMPTOMS: tuple[Symptom, ...] = (
    # the bus
    Symptom("frames", "data frames on the bus", {"none": 0.0005, "one": 0.0005, "many": 0.999}),
    Symptom("error-flood", "more error records than frames", {"no": 0.998, "yes": 0.002}),
    Symptom("acknowledge", "errors say that nobody acknowledged", {"no": 0.99, "yes": 0.01}),
    Symptom(
        "ohms",
        "resistance between H and L",
        {"short": 0.0005, "three": 0.0003, "two": 0.98, "one": 0.002, "open": 0.002, "odd": 0.0152},
    ),
    Symptom(
        "error-rate", "error episodes among the frames", {"none": 0.93, "stray": 0.069, "some": 0.0007, "many": 0.0003}
    ),
    Symptom(
        "identity", "frames of one identifier come as from one sender", {"one": 0.99967, "rate": 0.0003, "two": 0.00003}
    ),
    Symptom("sleep", "frames long after the bus should be quiet", {"in time": 0.9996, "late": 0.0004}),
    Symptom(
        "message",
        "a message that the plan needs",
        {"comes": 0.97995, "cyclic, absent": 0.00005, "sent on changes, absent": 0.008, "not needed, absent": 0.012},
    ),
    Symptom("loss", "frames that are missing from beats", {"none": 0.95, "uneven": 0.0495, "equal": 0.0005}),
    # the controller
    Symptom("controller", "messages of the controller's node", {"come": 0.99994, "stops": 0.00001, "none": 0.00005}),
    Symptom(
        "together",
        "outputs that never come on when asked",
        {"no": 0.996, "one": 0.0037, "several": 0.00025, "all": 0.00005},
    ),
    Symptom("noticed", "the controller's own report of each control", {"follows": 0.9995, "never": 0.0005}),
    Symptom("box-supply", "voltage at the controller's own plug", {"there": 0.9995, "missing": 0.0005}),
    Symptom("fuse", "the controller's fuse", {"whole": 0.998, "blown": 0.002}),
    Symptom("plug", "the controller's plug", {"seated": 0.998, "open": 0.002}),
    Symptom(
        "restarts",
        "the controller falls silent and returns",
        {"none": 0.995, "at turn-on": 0.0005, "elsewhere": 0.0045},
    ),
    Symptom("supply", "the reported supply", {"steady": 0.9697, "sags": 0.03, "sags with an output": 0.0003}),
    Symptom(
        "falls",
        "outputs that pull supply or voltages down while they are on",
        {"none": 0.9968, "one": 0.003, "several": 0.0002},
    ),
    # a control
    Symptom(
        "control",
        "the signal of a control that was operated by the marks",
        {"moves": 0.9989, "in part": 0.001, "stands": 0.0001},
    ),
    # an output
    Symptom("answers", "exercises answered in time", {"all": 0.985, "some": 0.014, "none": 0.001}),
    Symptom("late", "answers that came too late", {"none": 0.99, "some": 0.009, "most": 0.001}),
    Symptom("unasked", "being on without being asked", {"no": 0.99, "yes": 0.01}),
    Symptom(
        "state", "the output over the whole recording", {"changes": 0.9992, "always on": 0.0002, "always off": 0.0006}
    ),
    Symptom(
        "follows",
        "the rule that explains what the output did",
        {"own": 0.99, "exchanged": 0.0004, "another's": 0.0016, "other": 0.002, "none": 0.006},
    ),
    Symptom(
        "run-on",
        "time from the end of the rule to the output's",
        {"right": 0.9985, "alike": 0.0005, "scattered": 0.001},
    ),
    Symptom(
        "cut-off", "time after which the output is cut off", {"right": 0.9985, "alike": 0.0005, "scattered": 0.001}
    ),
    Symptom("dropped", "going off while still asked for", {"no": 0.9998, "yes": 0.0002}),
    Symptom("level", "brightness where it is steady", {"right": 0.9999, "wrong": 0.0001}),
    Symptom("flashing", "flash frequency", {"right": 0.9999, "wrong": 0.0001}),
    Symptom(
        "current",
        "current while the output is on",
        {"flows": 0.9994, "none": 0.0002, "gives out": 0.0002, "interrupted": 0.0002},
    ),
    Symptom("drops", "going off again though it answered in time", {"no": 0.9996, "yes": 0.0004}),
    Symptom("limit", "current against the output's limit", {"below": 0.9795, "for a moment": 0.02, "above": 0.0005}),
    Symptom("voltage", "voltage while the output is on", {"there": 0.998, "none": 0.002}),
    Symptom("stray", "current while the output is off", {"no": 0.9998, "yes": 0.0002}),
)
"""Every symptom that a table may name, in the order in which they are looked at."""

BY_NAME = {symptom.name: symptom for symptom in SYMPTOMS}
