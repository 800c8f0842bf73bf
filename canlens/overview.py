"""Overview: the bus of one recording by itself, without a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from canlens import causes, checks
from canlens.database import Database
from canlens.findings import SEVERITIES
from canlens.measures.surveying import surveyed
from canlens.plan import Bus, Plan
from canlens.survey_results import SurveyResult, SurveyVerdict, survey_form
from canlens.survey_rows import bus_rows, errors_row, identifier_rows, quiet_row

if TYPE_CHECKING:
    import pandas as pd

    from canlens.evidence import Evidence
    from canlens.findings import Finding
    from canlens.trace import Trace


@dataclass(frozen=True)
class Survey:
    """The answer of ``canlens survey``, and what it rests on.

    Attributes
    ----------
    result
        What JSON and reports show.
    evidence
        What was measured; its plan is empty.
    """

    result: SurveyResult
    evidence: Evidence

    @property
    def verdict(self) -> SurveyVerdict:
        """``no-failure-found``, ``failure-found`` or ``too-poor``."""
        return self.result.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return exactly what ``--json`` writes."""
        return survey_form(self.result)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the result as pandas tables: ``identifiers``, ``buses``, ``wakes``, ``findings``, ``causes``."""
        import pandas as pd  # noqa: PLC0415 – slow to import, and only wanted here

        whole = self.to_dict()
        buses = [{"channel": name, **each} for name, each in whole.get("buses", {"": whole["bus"]}).items()]
        return {
            "identifiers": pd.json_normalize(whole["identifiers"], sep="_"),
            "buses": pd.json_normalize(buses, sep="_"),
            "wakes": pd.json_normalize(whole["quiet"]["wakes"], sep="_"),
            "findings": pd.json_normalize(whole["findings"], sep="_"),
            "causes": pd.DataFrame(whole["causes"]),
        }


def make_survey(
    trace: Trace,
    database: Database | None = None,
    *,
    bit_rate: int | None = None,
    channel: str | None = None,
    match_pgn: bool = False,
) -> Survey:
    """Look at the bus of one recording.

    Parameters
    ----------
    trace
        The recording.
    database
        Gives identifiers their names, senders and declared cycle times.
    bit_rate
        Nominal bit rate [bit/s]; None: it is inferred where that can be done.
    channel
        The channel to look at; None: all.
    match_pgn
        Whether messages with 29-bit identifiers are found by their J1939 parameter group number.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel; or the bit rate is not above zero.
    """
    database = database or Database()
    plan = Plan("", "", database, {}, {}, bus=Bus(bit_rate=bit_rate, channel=channel, match_pgn=match_pgn))
    measured = surveyed(trace, plan)
    evidence = measured.evidence
    findings = _findings(evidence)
    buses = bus_rows(measured)
    return Survey(
        SurveyResult(
            verdict=_verdict(evidence, findings),
            recording=evidence.recording,
            bus=buses.chosen,
            buses=buses.every,
            identifiers=identifier_rows(measured),
            errors=errors_row(evidence.bus_evidence),
            quiet=quiet_row(evidence.bus_evidence.quiet),
            findings=findings,
            causes=causes.ranked(evidence),
        ),
        evidence,
    )


def _findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Put the recording to every check, worst first; those about controls and outputs find none in an empty plan."""
    found = [each for check in checks.ALL for each in check.find(evidence)]
    return tuple(sorted(found, key=lambda each: SEVERITIES.index(each.severity)))


def _verdict(evidence: Evidence, findings: tuple[Finding, ...]) -> SurveyVerdict:
    """Judge the bus; a recording without frames is not poor, it shows a dead or sleeping bus."""
    if evidence.recording.quality == "poor" and evidence.frames:
        return "too-poor"
    return "failure-found" if any(each.severity == "failure" for each in findings) else "no-failure-found"
