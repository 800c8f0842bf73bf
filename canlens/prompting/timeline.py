"""Timeline: a session as it grows, step by step, with the marks that belong to them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from canlens.plan import Mark
from canlens.plan.nouns import REST
from canlens.prompting.nouns import Part, Step

if TYPE_CHECKING:
    from canlens.prompting.nouns import StepKind
    from canlens.rehearsal.draws import Draws

READY_S = (1.2, 2.2)
"""From the begin of a step to its act: time to read it; drawn anew each time, so that no rhythm on the bus fits [s]."""
DECIMALS = 1
"""Times are whole tenths of a second: nobody is more exact."""


@dataclass
class Timeline:
    """Steps so far, and what is held.

    Attributes
    ----------
    draws
        Random numbers for the waiting times.
    now_s
        Where the next step begins [s].
    parts, steps
        In order of time.
    held
        Control -> index of the step that holds it, in the order of touching.
    """

    draws: Draws
    now_s: float = 0.0
    parts: list[Part] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    held: dict[str, int] = field(default_factory=dict)

    def begin(self, title: str, why: str) -> None:
        """Begin a part."""
        self.parts.append(Part(title, why))

    def wait(self, length_s: float) -> None:
        """Let time pass, whatever is held."""
        if length_s > 0:
            self._add("wait", "", ready_s=0.0, hold_s=0.0, after_s=length_s)

    def slot(self, label: str, *, hold_s: float, length_s: float) -> None:
        """Add a drawn slot of a fixed length: one exercise of a control, or a rest."""
        if label == REST:
            step = self._add("rest", "", ready_s=0.0, hold_s=0.0, after_s=length_s)
            mark = Mark(step.start_s, REST, step.end_s)
        else:
            ready_s = self.ready_s()
            after_s = length_s - ready_s - hold_s
            step = self._add("operate", label, ready_s=ready_s, hold_s=hold_s, after_s=after_s)
            mark = Mark(step.act_s, label, step.until_s)
        self.steps[-1] = replace(step, mark=mark, is_drawn=True)

    def operate(self, control: str, *, hold_s: float, after_s: float) -> None:
        """Add one exercise outside the draw."""
        step = self._add("operate", control, ready_s=self.ready_s(), hold_s=hold_s, after_s=after_s)
        self.steps[-1] = replace(step, mark=Mark(step.act_s, control, step.until_s))

    def hold(self, control: str, *, after_s: float) -> None:
        """Switch a control on and leave it so; its mark ends with :meth:`release`."""
        self._add("hold", control, ready_s=self.ready_s(), hold_s=0.0, after_s=after_s)
        self.held[control] = len(self.steps) - 1

    def release(self, control: str, *, after_s: float) -> None:
        """Let a held control go."""
        index = self.held.pop(control)
        step = self._add("release", control, ready_s=self.ready_s(), hold_s=0.0, after_s=after_s)
        begun = self.steps[index]
        self.steps[index] = replace(begun, mark=Mark(begun.act_s, control, step.act_s))

    def held_since_s(self, control: str) -> float:
        """Return when a control that is held was switched on [s]."""
        return self.steps[self.held[control]].act_s

    def ready_s(self) -> float:
        """Draw the time to read a step [s]."""
        return self.draws.uniform(*READY_S)

    def _add(self, kind: StepKind, control: str, *, ready_s: float, hold_s: float, after_s: float) -> Step:
        """Add a step and go to its end; times are rounded so that they add up as they are printed."""
        start_s = self.now_s
        act_s = round(start_s + ready_s, DECIMALS)
        until_s = round(act_s + hold_s, DECIMALS)
        self.now_s = round(start_s + ready_s + hold_s + after_s, DECIMALS)
        step = Step(
            len(self.steps) + 1, len(self.parts) - 1, kind, control, start_s, act_s, until_s, self.now_s,
            held=tuple(self.held),
        )  # fmt: skip
        self.steps.append(step)
        return step
