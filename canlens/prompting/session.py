"""Session: its parts, steps and marks, as it grows step by step."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from canlens.plan import Mark
from canlens.plan.nouns import REST

if TYPE_CHECKING:
    from canlens.plan.nouns import Safety
    from canlens.rehearsal.draws import Draws


StepKind = Literal["operate", "rest", "hold", "release", "wait"]
"""``operate``: on and off again; ``rest``: a slot in which nothing is touched; ``hold``: on, until a later ``release``;
``wait``: time that must pass, in no slot."""


@dataclass(frozen=True)
class SessionStep:
    """One thing to do; times [s] from the start of the session, each step begins where the one before it ends.

    ``act_s`` is when to operate or to let go, of a rest or a wait its start; ``until_s`` when to let go, of all but
    ``operate`` the same. ``control`` is empty where nothing is touched, ``held`` are controls that an earlier step
    holds. ``mark`` is what to note if it was done as told, None of releases and waits; that of a ``hold`` ends with its
    release.
    """

    number: int
    part: int
    kind: StepKind
    control: str
    start_s: float
    act_s: float
    until_s: float
    end_s: float
    held: tuple[str, ...] = ()
    mark: Mark | None = None
    is_drawn: bool = False


@dataclass(frozen=True)
class Part:
    """Steps that belong together: a title, and why they are there."""

    title: str
    why: str


@dataclass(frozen=True)
class Tally:
    """What the drawn slots are worth for one control.

    ``chance`` is that of a bit which has nothing to do with it to go on with all of its exercises and in no other slot;
    ``places`` are the bits or outputs that could be mistaken for it, ``misses`` the exercises that may stay unanswered.
    """

    control: str
    exercises: int
    slots: int
    chance: float
    places: int
    misses: int

    @property
    def error_chance(self) -> float:
        """Bound the chance that any place does as well, 0 to 1."""
        return min(1.0, self.chance * self.places)


@dataclass(frozen=True)
class ControlNote:
    """What is to be known of a control: what counts as on, and which outputs ask for it.

    ``watch`` names those of them that nothing on the bus shows; ``safety`` is that of the first safety item.
    """

    name: str
    meaning: str = ""
    outputs: tuple[str, ...] = ()
    watch: tuple[str, ...] = ()
    safety: Safety | None = None


@dataclass(frozen=True)
class Session:
    """All that a person does while recording; the same arguments and seed give the same session.

    ``awake_while`` is the control that wakes the vehicle, empty where none is named; parts and steps stand in order of
    time without gaps; ``wished_chance`` is that of an error for each control; ``bit_rate`` [bit/s] may be unknown.
    """

    title: str
    seed: int
    controls: tuple[ControlNote, ...]
    awake_while: str
    parts: tuple[Part, ...]
    steps: tuple[SessionStep, ...]
    tallies: tuple[Tally, ...]
    wished_chance: float
    bit_rate: int | None = None
    remarks: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Time from the start to the end of the last step [s]."""
        return self.steps[-1].end_s

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The marks of a session that is done as told, by time."""
        return tuple(sorted((step.mark for step in self.steps if step.mark), key=lambda mark: mark.time_s))


# Planned marks: a session → the marks file of one that was done exactly as told.


HEAD = (
    "# Planned marks: what was to be done, in seconds from the start of the sheet.",
    "# Use them only if all was done as told, and strike out what was not.",
    "# The page saves what really happened.",
)


def planned_marks_text(session: Session) -> str:
    """Write the marks of a session as CSV, as ``--marks`` reads them."""
    rows = [
        f"{mark.time_s:.1f},{mark.label}," + (f"{mark.until_s:.1f}" if mark.until_s is not None else "")
        for mark in session.marks
    ]
    return "\n".join([*HEAD, "time_s,label,until_s", *rows, ""])


# Timeline: a session as it grows, step by step, with the marks that belong to them.


READY_S = (1.2, 2.2)
"""From the begin of a step to its act: time to read it; drawn anew each time, so that no rhythm on the bus fits [s]."""
DECIMALS = 1
"""Times are whole tenths of a second: nobody is more exact."""


@dataclass
class SessionTimeline:
    """Steps so far, and the controls that are held: each with the index of the step that holds it."""

    draws: Draws
    now_s: float = 0.0
    parts: list[Part] = field(default_factory=list)
    steps: list[SessionStep] = field(default_factory=list)
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

    def _add(self, kind: StepKind, control: str, *, ready_s: float, hold_s: float, after_s: float) -> SessionStep:
        """Add a step and go to its end; times are rounded so that they add up as they are printed."""
        start_s = self.now_s
        act_s = round(start_s + ready_s, DECIMALS)
        until_s = round(act_s + hold_s, DECIMALS)
        self.now_s = round(start_s + ready_s + hold_s + after_s, DECIMALS)
        step = SessionStep(
            len(self.steps) + 1, len(self.parts) - 1, kind, control, start_s, act_s, until_s, self.now_s,
            held=tuple(self.held),
        )  # fmt: skip
        self.steps.append(step)
        return step
