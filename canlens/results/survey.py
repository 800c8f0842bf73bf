"""Results of a survey: the classes whose fields are the keys of ``canlens/survey/1``.

As with the results of a check, a field added here is a key added there. ``*_s`` times count from the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from canlens.nouns.bus import BusResult, ErrorLedger, RecordingResult
from canlens.nouns.messages import MessageEvidence, QuietEvidence
from canlens.results.check import finding_forms
from canlens.results.finding import Cause, Finding
from canlens.results.form import Json, document
from canlens.wire import INTERMISSION_BITS

SURVEY_SCHEMA = "canlens/survey/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

SurveyVerdict = Literal["no-failure-found", "failure-found", "too-poor"]


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
    intermission_bits: int = INTERMISSION_BITS
    percentiles: dict[str, float] = field(default_factory=dict)
    formulas: FormulaResult | None = None
    with_errors: RangeResult | None = None
    by_sender: dict[str, float] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True)
class SurveyResult:
    """All of ``canlens survey``: the answer first, then what it rests on.

    ``buses`` is written where there are several channels.
    """

    verdict: SurveyVerdict
    recording: RecordingResult
    bus: SurveyBusResult
    buses: dict[str, SurveyBusResult]
    identifiers: tuple[MessageEvidence, ...]
    errors: ErrorLedger
    quiet: QuietEvidence
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]


def survey_form(result: SurveyResult) -> dict[str, Json]:
    """Return the written form of a survey: what ``canlens survey --json`` writes."""
    form = document(SURVEY_SCHEMA, result)
    if len(result.buses) < 2:  # noqa: PLR2004 – one bus stands under bus
        del form["buses"]
    form["findings"] = finding_forms(result.findings, several=False)
    return form
