"""What a rehearsal yields: the recording, the person's notes, the meter's readings, and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.plan import Mark, Observation, Readings
    from canlens.results.finding import Scope
    from canlens.trace import Trace


@dataclass(frozen=True)
class InjectedFault:
    """One fault that was built in.

    Attributes
    ----------
    cause, scope
        As in the catalogue of causes.
    subject
        Names of what is at fault, sorted; empty for the whole bus.
    detail
        What was changed, in one sentence.
    strength
        How strong it is, from 0, hardly to be seen, to 1, gross; some faults have only one.
    """

    cause: str
    scope: Scope
    subject: tuple[str, ...]
    detail: str
    strength: float = 1.0


@dataclass(frozen=True)
class Truth:
    """What the recording must show.

    Attributes
    ----------
    seed
        All that is drawn follows from it.
    faults
        What was built in; empty for a healthy install.
    rules
        Output -> the rule that it really follows; ``always`` and ``never`` for one that follows none.
    """

    seed: int
    faults: tuple[InjectedFault, ...] = ()
    rules: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """A recording that an install would give, with a known answer.

    Attributes
    ----------
    trace
        The recording; lines count from 1 as its candump text has them.
    marks
        What the person who operated the controls noted, in the clock of the recording.
    readings
        What the meter read before the recording.
    observed
        What eye and ear saw of the outputs that nothing on the bus shows.
    truth
        What is behind it.
    """

    trace: Trace
    marks: tuple[Mark, ...]
    readings: Readings
    observed: tuple[Observation, ...]
    truth: Truth
