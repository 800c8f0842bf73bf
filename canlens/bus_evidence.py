"""Bus evidence: what a recording and the meter say of the bus itself, whatever is fitted to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from canlens.definition_evidence import DefinitionEvidence

if TYPE_CHECKING:
    from canlens.error_evidence import Attribution, ErrorLedger, LoneSender
    from canlens.message_evidence import MessageEvidence, QuietEvidence
    from canlens.results import BusResult, RecordingResult

ReadingState = Literal["fits", "odd", "ask"]
"""How a reading stands to its limits; ``ask`` where no limit can be had without knowing more of the vehicle."""


@dataclass(frozen=True)
class JudgedReading:
    """A reading of the meter against its limits.

    Attributes
    ----------
    name, value, unit
        As in the file of readings.
    limit
        Least and greatest good value; None where no limit can be named.
    source
        Where the limit comes from.
    state
        ``fits``, ``odd`` or ``ask``.
    severity
        How grave an odd reading is.
    meaning
        What the value means, in words.
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
