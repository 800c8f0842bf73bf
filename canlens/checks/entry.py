"""Entry of the catalogue: one question put to the evidence, with its manual page."""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from canlens.judging import wrongs
from canlens.results.finding import Finding, Lines, safety_caution

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canlens.judging import Kind
    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.outputs import Evidence
    from canlens.nouns.tracks import Places
    from canlens.plan import Output

MOST_LINES = 20
"""Lines that a finding names; more would not be read."""


def name_of(check: Callable[..., object]) -> str:
    """Return the name of a check, that of its function as people write it."""
    return check.__name__.replace("_", "-")


@dataclass(frozen=True)
class Check:
    """One question put to the evidence.

    Attributes
    ----------
    find
        From evidence to findings; named after the defect, such as ``unheard_control``; its docstring is the manual.
    of_whole_job
        Whether it asks what was never shown: then several recordings of one job are put to it as one.
    """

    find: Callable[[Evidence], Iterator[Finding]]
    of_whole_job: bool = False

    @property
    def name(self) -> str:
        """After the defect, such as ``unanswered-control``."""
        return name_of(self.find)

    @property
    def manual(self) -> str:
        """The manual page."""
        return inspect.getdoc(self.find) or ""


@dataclass(frozen=True)
class BusCheck:
    """One question put to what recording and meter say of the bus itself; it needs no plan.

    Attributes
    ----------
    find_on_bus
        From evidence of the bus to findings; named after the defect, its docstring the manual page.
    of_whole_job
        Never: each recording of a job shows the bus as it was then.
    """

    find_on_bus: Callable[[BusEvidence], Iterator[Finding]]
    of_whole_job: bool = False

    def find(self, evidence: Evidence) -> Iterator[Finding]:
        """Put the question to the evidence of a job."""
        return self.find_on_bus(evidence.bus_evidence)

    @property
    def name(self) -> str:
        """After the defect, such as ``unanswered-control``."""
        return name_of(self.find_on_bus)

    @property
    def manual(self) -> str:
        """The manual page."""
        return inspect.getdoc(self.find_on_bus) or ""


class Said(NamedTuple):
    """What a finding says of an output, field by field as in :class:`Finding`."""

    claim: str
    cannot_tell: str
    next_step: str
    would_change: str


@dataclass(frozen=True)
class OutputCheck:
    """A kind of wrong that outputs do; nothing that is excused is found.

    Attributes
    ----------
    say
        From an output and these deviations to sentences; named after the defect, its docstring the manual page.
    kinds
        The deviations that it tells of, together in one finding.
    work
        Caution of the work that its next step asks for.
    one_each
        Whether each deviation is a finding by itself.
    of_whole_job
        Never: what went wrong did so in one recording.
    """

    say: Callable[..., Said]
    kinds: tuple[Kind, ...]
    work: str = ""
    one_each: bool = False
    of_whole_job: bool = False

    def find(self, evidence: Evidence) -> Iterator[Finding]:
        """Find the outputs that do so."""
        for name, output in evidence.plan.outputs.items():
            found = wrongs(evidence, name, *self.kinds)
            for each in [(one,) for one in found] if self.one_each else [found] if found else []:
                yield Finding(
                    check=self.name,
                    severity="failure",
                    safety=output.safety is not None,
                    subject=(name,),
                    evidence=lines_of(*(one.steps for one in each)),
                    caution=safety_caution(output.safety, self.work),
                    consequence_of=TOLD_BY.get(each[0].instead.value, ""),
                    **self.say(output, *each)._asdict(),
                )

    @property
    def name(self) -> str:
        """After the defect, such as ``unanswered-control``."""
        return name_of(self.say)

    @property
    def manual(self) -> str:
        """The manual page."""
        return inspect.getdoc(self.say) or ""


TOLD_BY = {"exchanged": "exchanged-outputs", "another's": "misrouted-output", "other": "misrouted-output"}
"""The check that tells what an output follows instead of its rule."""


def lines_of(*steps: Places) -> Lines:
    """Return the first lines and times of some steps or frames as evidence, in file order."""
    pairs = sorted({(int(n), float(t)) for each in steps for n, t in zip(each.line, each.time_s, strict=True)})
    pairs = pairs[:MOST_LINES]
    return Lines(tuple(line for line, _ in pairs), tuple(time_s for _, time_s in pairs))


def called(output: Output) -> str:
    """Return an output by name and load, as a person would call it."""
    return f"{output.name} ({output.load})" if output.load else output.name


def terminal(output: Output) -> str:
    """Return where the output can be measured."""
    return f"at {output.terminal}" if output.terminal else f"at the terminal of {output.name}"
