"""Pictures: what a picture of a recording shows, thinned so that an hour can be drawn small.

All times count from the recording's first frame [s]; ``start`` is that frame's own stamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from canlens.plan.rule import States
    from canlens.signals import Floats
    from canlens.trace import Ints


Outcome = Literal["answered", "late", "unanswered", "too-short", "held"]
"""What became of an exercise: answered in time; too late; never; too short to tell; met an output still on."""
ShadeKind = Literal["bus-silent", "channel-stopped", "controller-away", "unread-lines", "clock-restart", "rest"]
"""Why a stretch is shaded: nobody sent for seconds; a whole channel stopped for a moment; the controller was away;
lines of the log could not be read; the recorder's clock started anew; the person says to have touched nothing."""


@dataclass(frozen=True, eq=False)
class StepLane:
    """What one control or output did, step by step.

    Attributes
    ----------
    name, kind
        Whose it is.
    time_s, state, line
        float64, int8 and int64 (k,): each state (1 on, 0 off, -1 unknown) holds from its time up to the next one's;
        the line of the log that shows it. Before the first step nothing is known.
    latency_s
        float64 (k,): how long after its exercise an output came on with this step [s]; nan where it is no answer.
    changes
        How many steps were recorded; more than are drawn where they came too fast to be drawn singly.
    exercises
        How often a control was operated, or how many exercises of its rule an output was due to answer.
    marked_s
        float64 (m,): when the person says to have operated a control [s]; empty without marks.
    """

    name: str
    kind: Literal["control", "output"]
    time_s: Floats
    state: States
    line: Ints
    latency_s: Floats
    changes: int
    exercises: int
    marked_s: Floats

    @property
    def is_thinned(self) -> bool:
        """Whether some steps are left out."""
        return len(self.time_s) < self.changes


@dataclass(frozen=True, eq=False)
class Joins:
    """Exercises of one output's rule that had one outcome, each with the control's step that began it.

    Attributes
    ----------
    output, outcome
        Which output; what became of them.
    time_s, line
        float64 and int64 (k,): when the rule rose, and in which line of the log.
    latency_s
        float64 (k,): time to the answer [s]; nan where there was none.
    control
        (k,): name of the control that moved; empty where none can be named.
    """

    output: str
    outcome: Outcome
    time_s: Floats
    line: Ints
    latency_s: Floats
    control: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class OddMoments:
    """Single moments of one output: rises that nobody asked for, falls that nothing explains."""

    output: str
    kind: Literal["unasked", "dropped"]
    time_s: Floats
    line: Ints


@dataclass(frozen=True, eq=False)
class Shade:
    """Stretches that bear on what can be seen, all of one kind: from when to when [s], float64 (k,) each."""

    kind: ShadeKind
    from_s: Floats
    to_s: Floats


@dataclass(frozen=True, eq=False)
class Series:
    """A quantity over time, thinned: rows on a level stretch are left out, and of many the extremes are kept.

    Attributes
    ----------
    name
        What it is: a signal's path, or a channel.
    time_s, value, line
        float64, float64 and int64 (k,): in order of time; a nan breaks the line where the message stayed away;
        ``line`` is 0 where a value stands for no single line.
    rows, left_out
        How many values were recorded, and how many of them are left out although they lie on no level stretch.
    least, greatest
        Of all that were recorded; nan where there is none.
    """

    name: str
    time_s: Floats
    value: Floats
    line: Ints
    rows: int
    left_out: int
    least: float
    greatest: float


@dataclass(frozen=True, eq=False)
class Current:
    """The current that the controller reports for an output, with the limits of the plan [A, s]; None where none."""

    output: str
    series: Series
    continuous_a: float | None
    peak_a: float | None
    peak_s: float | None


@dataclass(frozen=True, eq=False)
class Supply:
    """The controller's own supply [V], with the least that the plan allows; None where it names none."""

    series: Series
    least_v: float | None


@dataclass(frozen=True, eq=False)
class Load:
    """Bus load of one channel: ratio in windows of ``window_s``, each at its start."""

    channel: str
    window_s: float
    series: Series


@dataclass(frozen=True, eq=False)
class Bursts:
    """Error episodes.

    Attributes
    ----------
    from_s, to_s
        float64 (k,): first and last record [s].
    number, line
        int64 (k,): how many records, and the line of the first.
    total
        How many episodes there were; more than are drawn where neighbours are drawn as one.
    """

    from_s: Floats
    to_s: Floats
    number: Ints
    line: Ints
    total: int


@dataclass(frozen=True, eq=False)
class Latencies:
    """How long one output took to answer.

    Attributes
    ----------
    output, within_s
        Whose, and what the plan allows [s].
    answered_s, late_s
        float64 (k,) and (m,): of the answers that came in time, and of those that came too late, ascending [s].
    edge_s, number
        float64 (b + 1,) and int64 (b,): borders of equal bins [s], and how many of all answers lie in each.
    unanswered
        How many never came.
    median_s, greatest_s
        Of all answers; nan where there is none.
    """

    output: str
    within_s: float
    answered_s: Floats
    late_s: Floats
    edge_s: Floats
    number: Ints
    unanswered: int
    median_s: float
    greatest_s: float


@dataclass(frozen=True, eq=False)
class DrawnRecording:
    """All that the pictures of one recording show.

    Attributes
    ----------
    start, duration_s
        Stamp of the first frame [s], None for an empty recording; length [s].
    lanes
        Controls, then outputs, in plan order.
    joins, moments, shades
        As named; only those that happened.
    currents, supply, loads
        Empty, None and empty where the plan names none, or the recording was not at hand when this was made.
    errors
        Error episodes.
    errors_recorded
        Whether the recorder kept error frames at all.
    latencies
        Of each output whose answers were timed.
    """

    start: float | None
    duration_s: float
    lanes: tuple[StepLane, ...]
    joins: tuple[Joins, ...]
    moments: tuple[OddMoments, ...]
    shades: tuple[Shade, ...]
    currents: tuple[Current, ...]
    supply: Supply | None
    loads: tuple[Load, ...]
    errors: Bursts
    errors_recorded: Literal["yes", "no", "unknown"]
    latencies: tuple[Latencies, ...]
