"""Results of a survey: the classes whose fields are the keys of ``canlens/survey/1``.

As with the results of a check, a field added here is a key added there. ``*_s`` times count from the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from canlens.nouns.bus import BusResult, Recorded, RecordingResult
from canlens.results.check import finding_form
from canlens.results.finding import Cause, Finding
from canlens.results.form import Json, plain, version

SURVEY_SCHEMA = "canlens/survey/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

SurveyVerdict = Literal["no-failure-found", "failure-found", "too-poor"]


@dataclass(frozen=True)
class IntervalResult:
    """Times between neighbouring frames of one identifier [s], those across a silence of the bus left out."""

    median: float
    min: float
    max: float
    sd: float


@dataclass(frozen=True)
class CounterResult:
    """A field that counts frames: DBC bit number of its least significant bit, bits, range, and where it did not count.

    ``skipped`` and ``repeated`` are numbers of frames.
    """

    start_bit: int
    length: int
    lowest: int
    highest: int
    skipped: int
    repeated: int


@dataclass(frozen=True)
class IdentifierResult:
    """One identifier on one channel.

    ``cycle_time_s`` is declared by the database, ``fitted_cycle_s`` was measured; ``payload_length`` is the one that
    came most often, ``payload_lengths`` counts all; ``gaps`` and ``late`` count intervals in which frames were missing
    or merely late, ``missed`` the frames.
    """

    identifier: str
    is_extended: bool
    channel: str
    message: str | None
    sender: str | None
    frames: int
    interval_s: IntervalResult | None
    cycle_time_s: float | None
    payload_length: int
    bus_load: float | None
    is_remote: bool
    kind: Literal["cyclic", "mixed", "event-driven", "too-few"]
    fitted_cycle_s: float | None
    jitter_s: float | None
    first_s: float
    last_s: float
    gaps: int
    missed: int
    late: int
    bursts: int
    stopped_s: float | None
    started_s: float | None
    payload_lengths: dict[str, int]
    counter: CounterResult | None
    two_senders: bool


@dataclass(frozen=True)
class FormulaResult:
    """What closed formulas would have said instead of the counted load: without stuff bits, and at the worst."""

    without_stuffing: float
    worst_case: float


@dataclass(frozen=True)
class RangeResult:
    """Least and greatest value that a quantity may have."""

    least: float
    greatest: float


@dataclass(frozen=True)
class SurveyBusResult(BusResult):
    """Load of one channel in full; null where the bit rate is unknown.

    Every ratio counts the stuff bits as they were and the 3 bits of intermission. ``percentiles`` are those of the
    windows, by percent; ``with_errors`` counts each error frame with 14 to 20 bits and intermission; ``by_sender``
    splits the load over the nodes of the database, ``""`` being those it does not know.
    """

    bit_rate_because: str
    intermission_bits: int
    percentiles: dict[str, float]
    formulas: FormulaResult | None
    with_errors: RangeResult | None
    by_sender: dict[str, float]
    note: str


@dataclass(frozen=True)
class StateResult:
    """State of the recording node's controller from a time on; counters null where they were not told."""

    time_s: float
    state: str
    tec: int | None
    rec: int | None


@dataclass(frozen=True)
class ErrorsResult:
    """What the recording says of errors; ``recorded`` tells whether it could have said anything."""

    frames: int
    episodes: int
    classes: dict[str, int]
    places: dict[str, int]
    by_sender: dict[str, float]
    states: tuple[StateResult, ...]
    recorded: Recorded
    because: str


@dataclass(frozen=True)
class SpeakerResult:
    """Who sent one frame."""

    time_s: float
    line: int
    identifier: str
    is_extended: bool
    message: str | None
    sender: str | None


@dataclass(frozen=True)
class WakeResult:
    """A silent bus that woke: since when it was silent [s], when it woke, and who spoke first."""

    silent_from_s: float
    time_s: float
    first: SpeakerResult


@dataclass(frozen=True)
class StopResult:
    """A moment in which all messages of a channel stayed away at once, and what their counters did meanwhile."""

    from_s: float
    to_s: float
    line: int
    counters: Literal["stood", "ran", "unknown"]


@dataclass(frozen=True)
class QuietResult:
    """When the bus was awake: last frame [s] and who sent it, each wake, and shorter stops."""

    last_frame_s: float | None
    last: SpeakerResult | None
    wakes: tuple[WakeResult, ...]
    stops: tuple[StopResult, ...]


@dataclass(frozen=True)
class SurveyResult:
    """All of ``canlens survey``: the answer first, then what it rests on.

    ``buses`` is written where there are several channels.
    """

    verdict: SurveyVerdict
    recording: RecordingResult
    bus: SurveyBusResult
    buses: dict[str, SurveyBusResult]
    identifiers: tuple[IdentifierResult, ...]
    errors: ErrorsResult
    quiet: QuietResult
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]


def survey_form(result: SurveyResult) -> dict[str, Json]:
    """Return the written form of a survey: what ``canlens survey --json`` writes.

    JSON values only: tuples are lists, and what is not finite is null.
    """
    document: dict[str, Json] = {
        "schema": SURVEY_SCHEMA,
        "canlens": version(),
        "verdict": result.verdict,
        "recording": plain(result.recording),
        "bus": plain(result.bus),
    }
    if len(result.buses) > 1:
        document["buses"] = plain(result.buses)
    document["identifiers"] = plain(result.identifiers)
    document["errors"] = plain(result.errors)
    document["quiet"] = plain(result.quiet)
    document["findings"] = [finding_form(finding, several=False) for finding in result.findings]
    document["causes"] = plain(result.causes)
    return document
