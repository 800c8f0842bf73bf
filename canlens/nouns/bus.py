"""Bus: what a recording and the meter say of the bus itself – errors, readings, sleep."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np

from canlens.nouns.definitions import DefinitionEvidence
from canlens.trace import Problem

if TYPE_CHECKING:
    from canlens.nouns.messages import MessageEvidence, QuietEvidence
    from canlens.signals import Floats
    from canlens.trace import Ints


Quality = Literal["good", "usable", "poor"]
Recorded = Literal["yes", "no", "unknown"]


@dataclass(frozen=True)
class RecordingResult:
    """What was read; ``start`` is the stamp of the first frame [s], null for an empty recording."""

    file: str
    sha256: str
    format: str
    start: float | None
    duration_s: float
    frames: int
    channels: tuple[str, ...]
    error_frames: int
    error_frames_recorded: Recorded
    quality: Quality
    quality_reasons: tuple[str, ...]
    problem_count: int
    problems: tuple[Problem, ...]
    database_problems: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class BusResult:
    """Load of one channel; null where the bit rate is unknown.

    The ratios count stuff bits and the 3 bits of intermission.
    """

    bit_rate: int | None
    bit_rate_source: Literal["given", "inferred", "unknown"]
    bus_load: float | None
    bus_load_peak: float | None
    window_s: float


# Error evidence: what a recording says of errors on the bus, and whom they hit.


NodeState = Literal["active", "warning", "passive", "bus-off", "restarted"]
"""States of a CAN controller; ``restarted`` is the moment in which it comes back from bus-off."""
SuspectKind = Literal["whole-bus", "bad-sender", "bad-receiver", "interference", "loose-contact", "other"]
"""Who or what may break frames: the lines as a whole, one node's sending, one node that breaks the others' frames, an
output while it is on, one node's loose contact; or something that is none of these."""

Identity = tuple[int, bool]
"""An identifier, and whether it has 29 bits."""


@dataclass(frozen=True)
class StateStep:
    """State of the recording node's controller (a :data:`NodeState`) from a time on; counters null where not told."""

    WRITTEN: ClassVar = "time_s state tec rec"

    time_s: float
    line: int
    state: str
    tec: int | None = None
    rec: int | None = None


@dataclass(frozen=True, eq=False)
class Episodes:
    """Bursts of error records that belong together: one disturbance and the retries after it.

    Attributes
    ----------
    start_s, end_s
        float64 (k,): first and last record [s].
    line, last_line
        int64 (k,): where those stand in the log.
    number
        int64 (k,): how many records.
    victim
        int64 (k,): identifier of the frame that was most probably broken; -1 where none can be named.
    """

    start_s: Floats
    end_s: Floats
    line: Ints
    last_line: Ints
    number: Ints
    victim: Ints

    def __len__(self) -> int:
        return len(self.start_s)

    @classmethod
    def none(cls) -> Episodes:
        """Return no episodes."""
        times, lines = np.zeros(0), np.zeros(0, np.int64)
        return cls(times, times, lines, lines, lines, lines)


@dataclass(frozen=True, eq=False)
class ErrorLedger:
    """What the recording says of errors; ``recorded`` tells whether it could have said anything.

    Every error record is sorted by what it says.

    Attributes
    ----------
    good_frames
        Number of data and remote frames beside them.
    recorded, recorded_because
        Whether the recorder kept errors at all, and why one can tell, as a sentence.
    classes
        Number of records that bear each class, by the names of the results; a record may bear several.
    places
        Number of records that name each place in the frame, in words.
    details
        Number of records that name each kind of violation, controller or transceiver state, in words.
    states
        Time line of the recording node's controller.
    episodes
        The records that stand for error frames, in bursts; those that only tell of the recorder's controller are not
        among them.
    time_s, line
        float64 (n,) and int64 (n,): of each error record.
    by_sender
        Expected number of episodes that hit each sender's frames, most first; empty where they were not weighed.
    """

    WRITTEN: ClassVar = "frames episodes classes places by_sender states recorded because=recorded_because"

    frames: int
    good_frames: int
    recorded: Recorded
    recorded_because: str
    classes: dict[str, int] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)
    details: dict[str, int] = field(default_factory=dict)
    states: tuple[StateStep, ...] = ()
    episodes: Episodes = field(default_factory=Episodes.none)
    time_s: Floats = field(default_factory=lambda: np.zeros(0))
    line: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    by_sender: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Suspicion:
    """Who may be at fault: a node, an output, or (empty subject) no single one; with the probability."""

    kind: SuspectKind
    subject: str
    probability: float


@dataclass(frozen=True)
class Attribution:
    """Whom or what the errors point at.

    Attributes
    ----------
    answer
        The suspect, where one stands out; None where the evidence does not suffice.
    sentence
        The answer, or what is missing for one.
    suspicions
        Every suspect with its probability, most probable first; they add up to 1.
    narrowed
        The fewest kinds of suspect that hold the truth with nine tenths of probability, most probable first; empty
        where there are too few episodes to weigh.
    episodes
        Number of episodes weighed.
    by_sender
        Expected number of episodes that hit each, most first; empty where the senders are not known.
    """

    answer: Suspicion | None
    sentence: str
    suspicions: tuple[Suspicion, ...] = ()
    narrowed: tuple[SuspectKind, ...] = ()
    episodes: int = 0
    by_sender: dict[str, float] = field(default_factory=dict)

    def probability(self, kind: SuspectKind) -> float:
        """Return the probability of a kind of suspect, over all its subjects."""
        return sum(each.probability for each in self.suspicions if each.kind == kind)


@dataclass(frozen=True)
class LoneSender:
    """A sender to which nobody answers.

    Attributes
    ----------
    identifier, is_extended
        The only frame it sends; None where the recording shows errors only.
    records
        Number of error records that say that nobody acknowledged.
    interval_s
        Median time between two of them [s]; None for a single one.
    tec
        Highest transmit error counter told; None where none was.
    """

    identifier: int | None
    is_extended: bool
    records: int
    interval_s: float | None
    tec: int | None
    line: int
    last_line: int


# Bus evidence: what a recording and the meter say of the bus itself, whatever is fitted to it.


ReadingState = Literal["fits", "odd", "ask"]
"""How a reading stands to its limits; ``ask`` where no limit can be had without knowing more of the vehicle."""


@dataclass(frozen=True)
class JudgedReading:
    """A reading of the meter against its limits.

    Attributes
    ----------
    limit
        Least and greatest good value; None where no limit can be named.
    state
        ``fits``, ``odd`` or ``ask``.
    disagreement
        Where sources give other limits; empty where they agree or the user gave the limit.
    """

    name: str
    value: float
    unit: str
    limit: tuple[float, float] | None
    source: str
    state: ReadingState
    meaning: str
    severity: Literal["failure", "warning", "note"] = "note"
    disagreement: str = ""


@dataclass(frozen=True)
class BitRateConflict:
    """A bit rate that was given and that the stamps contradict [bit/s]; ``inferred`` is None where only that shows."""

    given: int
    inferred: int | None
    because: str


@dataclass(frozen=True, eq=False)
class BusEvidence:
    """What a recording and the meter say of the bus; held by the evidence of a job and by the overview of a bus alone.

    Attributes
    ----------
    recording, bus
        What was read; bit rate and load of the chosen channel.
    frames
        Data and remote frames on the chosen channel.
    errors, attribution
        Error records, and whom they point at; None where nothing was weighed.
    lone_sender
        A sender to which nobody answers; None where there is none.
    bit_rate_conflict
        A given bit rate that the stamps contradict; None where they do not.
    readings, fused
        The meter's readings judged, and what they and the log say together, a sentence each.
    intervals, quiet
        Rhythm of each identifier; awake and asleep.
    definitions
        How the databases and the recording fit together.
    """

    recording: RecordingResult | None = None
    bus: BusResult | None = None
    frames: int = 0
    errors: ErrorLedger | None = None
    attribution: Attribution | None = None
    lone_sender: LoneSender | None = None
    bit_rate_conflict: BitRateConflict | None = None
    readings: tuple[JudgedReading, ...] = ()
    fused: tuple[str, ...] = ()
    intervals: tuple[MessageEvidence, ...] = ()
    quiet: QuietEvidence | None = None
    definitions: DefinitionEvidence = field(default_factory=DefinitionEvidence)
