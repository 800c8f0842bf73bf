"""Pictures: what drawings, tables and quotes of a page show, thinned so that an hour can be drawn small.

All times count from the recording's first frame [s]; ``start`` is that frame's own stamp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from canlens.nouns.messages import MessageEvidence
    from canlens.plan.rule import States
    from canlens.signals import Floats
    from canlens.trace import Ints


Outcome = Literal["answered", "late", "unanswered", "too-short", "still-on"]
"""What became of an exercise: answered in time; too late; never; too short to tell; met an output still on."""
RowOutcome = Literal[Outcome, "unasked"]
Quantity = Literal["interval", "jitter"]
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


# Exercises, one by one and as lanes of signs; every control against every output.


@dataclass(frozen=True)
class Crossing:
    """One control against one output.

    Attributes
    ----------
    control, output
        Their names.
    is_planned
        Whether the output's rule names the control.
    exercises
        How often the control was operated.
    due, followed
        Exercises that met the output off and left it time to come on, and those that it followed in time.
    median_s, longest_s
        From the exercise to the output [s]; None where it followed none.
    """

    control: str
    output: str
    is_planned: bool
    exercises: int
    due: int
    followed: int
    median_s: float | None
    longest_s: float | None


@dataclass(frozen=True)
class ExerciseRow:
    """One exercise.

    Attributes
    ----------
    output
        Whose rule went on; of an output that came on unasked, that one.
    time_s, line
        When [s from the first frame], and where in the log.
    outcome
        What became of it; ``still-on`` where the output was on from the time before, so that nothing could be seen.
    latency_s
        From the exercise to the answer [s]; None where there was none.
    """

    output: str
    time_s: float
    line: int
    outcome: RowOutcome
    latency_s: float | None = None


@dataclass(frozen=True, eq=False)
class Lane:
    """What one control or output did, part by part.

    Attributes
    ----------
    name, kind
        Whose it is.
    state
        int8 (parts,): 1 on, 0 off, 2 both, -1 unknown.
    answered, missed, unasked
        int64 (parts,): exercises that an output answered in time; those that it did not; rises that nobody asked
        for. All 0 for a control.
    """

    name: str
    kind: Literal["control", "output"]
    state: States
    answered: Ints
    missed: Ints
    unasked: Ints


# Two recordings side by side.


@dataclass(frozen=True, eq=False)
class ComparedChannel:
    """One channel in one of the two recordings, by blocks of :data:`canlens.nouns.baselines.BLOCK_S`.

    Attributes
    ----------
    name
        As written in that recording.
    load
        Bus load as a ratio, at the start of each block in which the channel was awake all through (where there is
        none, of all others); None where the bit rate is unknown.
    episode_s, episodes
        float64 and int64 (k,): start of each block with error episodes [s], and how many began in it.
    recorded
        Whether errors were recorded at all.
    """

    name: str
    load: Series | None
    episode_s: Floats
    episodes: Ints
    recorded: Literal["yes", "no", "unknown"]


@dataclass(frozen=True, eq=False)
class ComparedMessage:
    """A message of which the interval or its jitter changed: before and after, block by block [s]."""

    subject: tuple[str, ...]
    quantity: Quantity
    before: Series | None
    after: Series | None
    declared_s: float | None


@dataclass(frozen=True, eq=False)
class DrawnComparison:
    """All that the pictures of a comparison show.

    Attributes
    ----------
    before_s, after_s
        Length of the recordings [s].
    channels
        Each channel before and after.
    messages, left_out
        Changed messages, and how many more changed than are drawn.
    """

    before_s: float
    after_s: float
    channels: tuple[tuple[ComparedChannel, ComparedChannel], ...]
    messages: tuple[ComparedMessage, ...]
    left_out: int


# Quotes: the frames that a finding rests on.


@dataclass(frozen=True)
class QuotedValue:
    """One signal of a frame: raw value, scaled value with its unit, text of the value table (empty without one)."""

    signal: str
    raw: str
    value: float
    unit: str
    text: str
    is_wanted: bool


@dataclass(frozen=True)
class Quote:
    """One frame as it was recorded.

    Attributes
    ----------
    line, time_s, stamp
        Where it stands; seconds from the first frame; the recorder's own stamp [s], exact, as text.
    channel, identifier, is_extended
        Its channel by name, and its identifier; of an error record that is its class.
    kind
        ``data``, ``remote`` or ``error``.
    payload
        Its bytes, each with whether a wanted signal lies in it.
    message, sender
        Name of its message and node that sends it; empty where no database knows them.
    values
        What the bytes say; of an error record nothing.
    left_out
        Signals of the message that are not among them.
    error
        What an error record says, in words.
    """

    line: int
    time_s: float
    stamp: str
    channel: str
    identifier: int
    is_extended: bool
    kind: str
    payload: tuple[tuple[int, bool], ...]
    message: str = ""
    sender: str = ""
    values: tuple[QuotedValue, ...] = ()
    left_out: int = 0
    error: str = ""


@dataclass(frozen=True, eq=False)
class Drawn:
    """All that a page shows besides a result.

    Attributes
    ----------
    recordings, crossings
        The pictures of each recording, and its controls held against its outputs.
    intervals, messages
        The messages of the last recording whose intervals are drawn, and how many have any.
    quotes
        Finding -> the frames behind it; findings themselves are known further up.
    """

    recordings: tuple[DrawnRecording, ...]
    crossings: tuple[tuple[Crossing, ...], ...]
    intervals: tuple[MessageEvidence, ...]
    messages: int
    quotes: Mapping[Hashable, tuple[Quote, ...]]
