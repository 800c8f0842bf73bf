"""Fault: one kind of fault, what it can be built into, and how."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.plan import Output
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.install import Install
    from canlens.rehearsal.output_model import OutputModel
    from canlens.results.finding import Scope

Subject = tuple[str, ...]
"""Names of what a fault is built into, sorted."""


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    cause, scope
        As in the catalogue of causes.
    subjects
        Install -> all that it could be built into.
    build
        Install, subject, random numbers and strength (0, hardly to be seen, to 1, gross) -> the changed install, and
        what was changed, in a sentence.
    usual
        Install -> those of the subjects that are drawn where nobody chooses one; None for all.
    is_cause
        Whether it stands in the catalogue of causes; others are only rehearsed, as rivals of a cause.
    """

    cause: str
    scope: Scope
    subjects: Callable[[Install], list[Subject]]
    build: Callable[[Install, Subject, Draws, float], tuple[Install, str]]
    usual: Callable[[Install], list[Subject]] | None = None
    is_cause: bool = True


@dataclass(frozen=True)
class Size:
    """How strong a fault is, from ``least`` at strength 0 to ``most`` at strength 1, finer at the weak end."""

    least: float
    most: float

    def at(self, strength: float) -> float:
        """Return the size at a strength from 0 to 1."""
        return self.least + (self.most - self.least) * strength * strength


def told_outputs(install: Install) -> list[Output]:
    """Return the outputs whose state the bus shows."""
    return [output for output in install.plan.outputs.values() if output.command is not None]


def outputs_with(wanted: Callable[[Output], bool]) -> Callable[[Install], list[Subject]]:
    """Return a function that lists the outputs which the bus shows and which are ``wanted``."""
    return lambda install: [(output.name,) for output in told_outputs(install) if wanted(output)]


def changed_output(install: Install, name: str, **changes: object) -> Install:
    """Return the install with one output's model changed."""
    model: OutputModel = replace(install.outputs[name], **changes)  # type: ignore[arg-type]
    return replace(install, outputs={**install.outputs, name: model})


def whole_bus(install: Install) -> list[Subject]:
    """Return the one subject of a fault that concerns the whole bus: nothing in particular."""
    del install
    return [()]
