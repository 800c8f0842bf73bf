"""The nouns of prompting: a session, its parts and steps, and what the draw is worth for each control."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from canlens.plan import Mark
    from canlens.plan.nouns import Safety

StepKind = Literal["operate", "rest", "hold", "release", "wait"]
"""``operate``: on and off again; ``rest``: a slot in which nothing is touched; ``hold``: on, until a later ``release``;
``wait``: time that must pass, in no slot."""


@dataclass(frozen=True)
class Step:
    """One thing to do; times [s] from the start of the session.

    Attributes
    ----------
    number
        From 1 on.
    part
        Index of its part.
    kind, control
        What to do, and with what; ``control`` is empty where nothing is touched.
    start_s, end_s
        Where the step begins and ends; the next one begins at its end.
    act_s
        When to operate or to let go; of a rest or a wait its start.
    until_s
        When to let go; of all but ``operate`` the same as ``act_s``.
    held
        Controls that are held meanwhile, by an earlier step.
    mark
        What to note if it was done as told; None of releases and waits. That of a ``hold`` ends with its release.
    is_drawn
        Whether it is one of the slots that were drawn at random.
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

    Attributes
    ----------
    control
        Its name.
    exercises, slots
        How often it is operated, in how many drawn slots.
    chance
        That a bit which has nothing to do with it goes on and off with all of its exercises and in no other slot.
    places
        How many bits (or outputs) there are to be mistaken for it.
    misses
        Exercises that may stay unanswered without the chance for all places rising above the one wished for.
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
    """What is to be known of a control.

    Attributes
    ----------
    name
        As in the plan.
    meaning
        What counts as on.
    outputs
        Those whose rule asks for it.
    watch
        Those of them that nothing on the bus shows.
    safety
        That of the first of them which is a safety item; None where none is.
    """

    name: str
    meaning: str = ""
    outputs: tuple[str, ...] = ()
    watch: tuple[str, ...] = ()
    safety: Safety | None = None


@dataclass(frozen=True)
class Session:
    """All that a person does while recording.

    Attributes
    ----------
    title
        What it is for.
    seed
        The same arguments and seed give the same session.
    controls
        Those that are operated.
    awake_while
        The control that wakes the vehicle; empty where none is named.
    parts, steps
        In order of time, without gaps.
    tallies
        One for each control that is drawn into slots.
    wished_chance
        Of error, for each control.
    bit_rate
        Of the bus [bit/s]; None where it is not known.
    remarks
        What the session leaves out, in sentences.
    """

    title: str
    seed: int
    controls: tuple[ControlNote, ...]
    awake_while: str
    parts: tuple[Part, ...]
    steps: tuple[Step, ...]
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
