"""Outputs: all that was measured on the controls, the outputs and the controller of one job."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.nouns.bus import BusEvidence
from canlens.nouns.tracks import Places, Scene, SeenRules, Track
from canlens.plan.rule import OFF, ON

if TYPE_CHECKING:
    from canlens.nouns.bus import BusResult, RecordingResult
    from canlens.plan import Mark, Plan, Readings, Rule
    from canlens.signals import Floats


# Supply evidence: when the controller fell silent and returned, and what its supply did.


@dataclass(frozen=True)
class Aligned:
    """How the restarts of the controller go with one output's turning on.

    Attributes
    ----------
    output
        Its name.
    turn_ons, followed
        How often it turned on or was asked to, and how many of these a restart followed.
    restarts
        How many restarts came just after it turned on, or after the restart before while it was still asked for.
    likelihood
        How much more probable the restarts are if this output causes them than if they come at any time, as a factor.
    """

    output: str
    turn_ons: int
    followed: int
    restarts: int
    likelihood: float


@dataclass(frozen=True, eq=False)
class SupplyEvidence:
    """When the controller fell silent and returned, and what its supply did.

    Attributes
    ----------
    restarts_s
        float64 (k, 2): last message before each silence and first one after it [s]; others were heard meanwhile.
    aligned
        For each output that turned on.
    lowest_v, usual_v
        Lowest and median reported supply [V]; None where none is reported.
    is_sagging
        Whether it fell below the plan's limit, or by more than two volts for a moment while an output was on.
    sags
        By output: where the supply fell below the plan's limit just after it had turned on.
    """

    restarts_s: Floats
    aligned: tuple[Aligned, ...] = ()
    lowest_v: float | None = None
    usual_v: float | None = None
    is_sagging: bool = False
    sags: dict[str, Places] = field(default_factory=dict)


# Evidence: all that was measured on one recording; checks and causes read it and nothing else.


__all__ = [
    "Answers",
    "ControlEvidence",
    "Evidence",
    "FlashEvidence",
    "LevelEvidence",
    "LoadEvidence",
    "OutputEvidence",
    "Places",
    "Rival",
    "Scene",
    "SeenRules",
    "Timer",
    "Track",
]


FEWEST_MISSED = 2
"""One exercise that was marked and does not show may be a slip of the pen."""
FITTING_SHARE = 1 / 6
"""Where no larger share of the plan's messages is on the bus, plan and recording are of different vehicles (our choice:
a single identifier agrees by chance; a controller without power still leaves the vehicle's messages)."""


@dataclass(frozen=True, eq=False)
class Answers:
    """Rising edges of a rule against the output that should follow.

    Attributes
    ----------
    due, answered, late, unanswered, too_short, held
        Rising edges of the rule: those that count; answered in time; answered too late; never answered; too short (or
        too near the end) to tell; met by an output that was still on from the time before, and so not counted.
    unasked
        Rises of the output while the rule was off.
    latency_s
        float64: control edge to answer [s], of the answered ones.
    late_s
        float64: the same of the late ones [s].
    dropped_out
        Of those that count, the ones that were answered in time and found off again at the deadline.
    unseen
        Of those too short to tell, the ones that passed while the output's message stayed away.
    """

    due: Places
    answered: Places
    late: Places
    unanswered: Places
    too_short: Places
    held: Places
    unasked: Places
    latency_s: Floats
    late_s: Floats
    dropped_out: Places = field(default_factory=Places.none)
    unseen: Places = field(default_factory=Places.none)

    @classmethod
    def none(cls) -> Answers:
        """Return the answers of a rule that never rose."""
        no, nothing = Places.none(), np.zeros(0)
        return cls(no, no, no, no, no, no, no, nothing, nothing)

    @property
    def is_as_asked(self) -> bool:
        """Whether every exercise that counts was answered in time, and nothing came unasked."""
        return not (len(self.unanswered) or len(self.late) or len(self.unasked) or len(self.dropped_out))


@dataclass(frozen=True, eq=False)
class Timer:
    """A planned time (release, run-on or cut-off) against the measured ones.

    Attributes
    ----------
    planned_s
        What the plan says [s]; 0 for a plain release.
    shortest_s, longest_s
        float64 (n,): bounds of each completed time [s]: the last row before the change and the first one after it.
    wrong, overdue
        Where the time was wrong; where the output was still on long after it had to be off.
    completed
        How often it could be seen to its end.
    """

    planned_s: float
    shortest_s: Floats
    longest_s: Floats
    completed: int
    wrong: Places
    overdue: Places

    @property
    def is_shown(self) -> bool:
        """Whether it can be told what becomes of the output once the time has passed."""
        return self.completed > 0 or len(self.overdue) > 0


@dataclass(frozen=True, eq=False)
class LevelEvidence:
    """Level of an output in steady stretches, by day or by night: medians, and which of them are off."""

    wanted: float
    medians: Floats
    wrong: Places


@dataclass(frozen=True, eq=False)
class FlashEvidence:
    """Flash frequency in each stretch in which the output should flash [Hz]; fine where rows are enough to show it."""

    frequency_hz: Floats
    wrong: Places
    stretches: int
    is_fine: bool


@dataclass(frozen=True, eq=False)
class LoadEvidence:
    """Reported current and voltage of an output.

    Attributes
    ----------
    on_current_a, net_a
        Median current while commanded on and settled, and the same less what flows while it is off [A]; nan where there
        is none.
    highest_a
        Highest current reported [A]; nan where there is none.
    over_peak, over_continuous, no_current, no_voltage, current_when_off
        Where a limit was passed, or current or voltage did not match the command.
    switches_itself, interrupted
        Holds in which current flowed only part of the time: in long stretches, since the load has a switch of its own;
        with gaps of less than a second, as at a loose contact.
    off_label
        Holds with a steady current that is not the label's.
    has_current, has_voltage
        Whether current (in steps fine enough to show this load) and voltage are reported.
    """

    on_current_a: float = np.nan
    net_a: float = np.nan
    highest_a: float = np.nan
    over_peak: Places = field(default_factory=Places.none)
    over_continuous: Places = field(default_factory=Places.none)
    no_current: Places = field(default_factory=Places.none)
    no_voltage: Places = field(default_factory=Places.none)
    current_when_off: Places = field(default_factory=Places.none)
    switches_itself: Places = field(default_factory=Places.none)
    interrupted: Places = field(default_factory=Places.none)
    off_label: Places = field(default_factory=Places.none)
    has_current: bool = False
    has_voltage: bool = False

    @property
    def over_limit(self) -> Places:
        """Where the current passed a limit."""
        return Places.joined((self.over_peak, self.over_continuous))


@dataclass(frozen=True, eq=False)
class ControlEvidence:
    """What one control did.

    Attributes
    ----------
    track
        Its state; without steps where its message never came.
    message_seen
        Whether its message came at all.
    exercises
        Its rising edges.
    marked
        Exercises that the marks claim, as times in the log's seconds; None without marks.
    noticed
        Whether the controller's own report followed: how many exercises it showed; None where none is planned.
    missed
        How many of the marked exercises its signal does not show.
    invalid
        Raw values that look invalid and count nevertheless, each with the state as which, and where.
    """

    name: str
    track: Track
    message_seen: bool
    exercises: Places
    marked: Floats | None = None
    noticed: int | None = None
    missed: int = 0
    invalid: tuple[tuple[int, int, Places], ...] = ()

    @property
    def is_readable(self) -> bool:
        """Whether its signal could be read from any frame; not so where all frames are too short for it."""
        return len(self.track.time_s) > 0

    @property
    def is_unmoved(self) -> bool:
        """Whether the marks say that it was operated several times of which its signal, though read, shows nothing."""
        return self.is_readable and self.missed > 0 and (self.missed >= FEWEST_MISSED or not len(self.exercises))

    @property
    def is_unheard(self) -> bool:
        """Whether the controller's own report never followed though it moved."""
        return self.noticed == 0 and len(self.exercises) > 0


@dataclass(frozen=True)
class Rival:
    """A rule that explains all that an output did, though it is not the planned one.

    Attributes
    ----------
    rule
        The rule; a single control where no output is named.
    output
        The output of the plan whose rule it is, its times and all.
    answered
        How many exercises bear it out.
    """

    rule: Rule
    answered: int
    output: str = ""


@dataclass(frozen=True, eq=False)
class OutputEvidence:
    """What one output did, against its rule.

    Attributes
    ----------
    rule, track
        State of the rule and of the output; no track where nothing on the bus shows the output.
    message_seen
        Whether the message that shows the output came; None where there is none.
    exercised
        Exercises of each control of the rule that could have shown the output following it.
    confounded_with
        Rules of the plan that never differed from this one long enough to be told apart.
    scenes
        What tells which rule it follows, one for each recording.
    seen
        The rules that explain what it did.
    rivals
        What else than its own rule explains all that it did; measured where it strays from that.
    dropped
        Falls of the output while the rule was on and nothing planned explains it.
    judged_from
        ``bus``, ``observed`` or ``nothing``.
    disagreed
        Where eye, ear or meter saw something else than the bus said.
    confirmed
        How many observations agreed with an output that was on.
    seen_off
        Whether an output judged by observation was also seen off while its rule was off.
    leads_s
        How much earlier than the bus tells of its control the output acts, every time [s]; 0 where it does not.
    """

    name: str
    rule: Track
    track: Track | None
    answers: Answers
    judged_from: Literal["bus", "observed", "nothing"]
    message_seen: bool | None = None
    exercised: dict[str, int] = field(default_factory=dict)
    confounded_with: tuple[Rule, ...] = ()
    scenes: tuple[Scene, ...] = ()
    seen: SeenRules = field(default_factory=SeenRules)
    rivals: tuple[Rival, ...] = ()
    release: Timer | None = None
    cut_off: Timer | None = None
    dropped: Places = field(default_factory=Places.none)
    day: LevelEvidence | None = None
    night: LevelEvidence | None = None
    flash: FlashEvidence | None = None
    load: LoadEvidence | None = None
    confirmed: int = 0
    seen_off: bool = False
    leads_s: float = 0.0
    disagreed: Places = field(default_factory=Places.none)

    @property
    def fits(self) -> tuple[Rule, ...]:
        """Rules that explain what the output did equally well, the planned one or the simplest first."""
        return self.seen.rules

    def strays_from(self, rule: Rule) -> bool:
        """Tell whether it does anything else than a rule, its own, asks; excuses are not looked at."""
        return not self.answers.is_as_asked or self.is_always_on or self.follows_other_than(rule)

    def follows_other_than(self, rule: Rule) -> bool:
        """Tell whether rules explain what it did, but not this one: then it goes off where this one holds."""
        return len(self.fits) > 0 and not any(each.same_as(rule) for each in self.fits)

    @property
    def shown(self) -> Track | None:
        """Its state with flashing bridged; None where nothing on the bus shows it."""
        bridged = self.scenes[-1].output if self.scenes else None
        return self.track if bridged is None else bridged

    @property
    def is_always_on(self) -> bool:
        """Whether it is on from the first row to the last though its rule was off for longer than it may stay on."""
        if self.shown is None or not self.shown.shows(ON) or self.shown.shows(OFF):
            return False
        stays_s = max((each.stays_s + each.within_s for each in self.scenes), default=0.0)
        off = self.rule.state == OFF
        off_s = np.append(self.rule.time_s[1:], self.rule.end_s) - self.rule.time_s
        return bool((off_s[off] > stays_s).any())


@dataclass(frozen=True, eq=False)
class Evidence:
    """All that was measured on one recording of a job.

    Attributes
    ----------
    plan
        What the install is meant to do.
    recording, bus, buses
        What was read, and the load of the chosen channel and of all.
    frames
        Data and remote frames on the chosen channel.
    missing_messages, needed_messages
        Messages that the plan needs and that never came, by name; and how many it needs.
    controller_seen
        Whether a message of the controller's node came; None where the plan names no node.
    controls, outputs
        By name, in plan order.
    marks, readings
        As given, the marks' times in the log's seconds.
    marks_offset_s
        What was added to the marks' times to reach the log's clock [s].
    bus_evidence
        What recording and meter say of the bus itself.
    absent_messages
        Cyclic messages of which no frame came although their node was heard and the plan does not need them.
    supply
        Restarts of the controller and its supply; None where nothing of it comes on a beat.
    """

    plan: Plan
    recording: RecordingResult
    bus: BusResult
    buses: dict[str, BusResult]
    frames: int
    missing_messages: tuple[str, ...]
    controller_seen: bool | None
    controls: dict[str, ControlEvidence]
    outputs: dict[str, OutputEvidence]
    marks: tuple[Mark, ...] = ()
    marks_offset_s: float = 0.0
    readings: Readings | None = None
    bus_evidence: BusEvidence = field(default_factory=BusEvidence)
    supply: SupplyEvidence | None = None
    absent_messages: tuple[str, ...] = ()
    needed_messages: int = 0

    @property
    def fits(self) -> bool:
        """Whether plan and recording belong together: with traffic, more than one in six needed messages came."""
        seen = self.needed_messages - len(self.missing_messages)
        if not self.frames or not self.needed_messages or self.bus_evidence.lone_sender is not None:
            return True
        return seen > FITTING_SHARE * self.needed_messages
