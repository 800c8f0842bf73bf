"""Overview: the bus of one recording by itself, without a plan."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens import causes, checks
from canlens.database import Database
from canlens.measures.gathering import surveyed
from canlens.nouns.bus import ErrorLedger
from canlens.nouns.messages import QuietEvidence
from canlens.plan import Bus, Plan
from canlens.results.survey import SurveyBusResult, SurveyResult, SurveyVerdict, survey_form
from canlens.wording import SEVERITY_ORDER

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from canlens.measures.gathering import Surveyed
    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.outputs import Evidence
    from canlens.nouns.pictures import Drawn
    from canlens.results.finding import Finding
    from canlens.signals import Floats
    from canlens.trace import Trace


def shares(measured: Surveyed) -> Floats:
    """Return the load that each identifier puts on its channel, float64 (g,); nan where it is not known."""
    channels = tuple(measured.loads)
    out = np.full(len(measured.streams), np.nan)
    for index, found in enumerate(measured.loads.values()):
        if found.load is None:
            continue
        own = measured.streams.channel == index if len(channels) > 1 else np.ones(len(out), np.bool_)
        out[own] = measured.shares(found.load)[own]
    return out


def sender_loads(messages: Iterable[MessageEvidence], channel: str) -> dict[str, float]:
    """Split a channel's load over the nodes that the database names, the largest first."""
    total: dict[str, float] = {}
    for message in messages:
        if message.channel == channel and message.bus_load is not None:
            sender = message.sender or ""
            total[sender] = total.get(sender, 0.0) + message.bus_load
    if set(total) == {""}:
        return {}
    return dict(sorted(total.items(), key=lambda item: -item[1]))


UNASKED = ErrorLedger(0, 0, "unknown", "errors were not looked for")


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

    def drawn(self, trace: Trace | None = None, *, channel: str | None = None) -> Drawn:
        """Return what a page shows besides the result; see :func:`canlens.measures.picturing.drawn`."""
        from canlens.measures.picturing import drawn  # noqa: PLC0415 – only wanted where a page is

        traces = () if trace is None else (trace,)
        return drawn((self.evidence,), self.result.findings, traces, channel=channel)

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


def survey(
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
    found = evidence.bus_evidence
    findings = _findings(evidence)
    identifiers = tuple(
        replace(message, bus_load=share if np.isfinite(share) else None)
        for message, share in zip(found.intervals, shares(measured).tolist(), strict=True)
    )
    buses = {
        name: replace(each.shown, by_sender=sender_loads(identifiers, name)) for name, each in measured.loads.items()
    }
    bus = buses.get(channel or "") or next(iter(buses.values()), None)
    if bus is None:
        why = "as given" if evidence.bus.bit_rate else "there are no frames"
        bus = SurveyBusResult(**vars(evidence.bus), bit_rate_because=why)
    return Survey(
        SurveyResult(
            verdict=_verdict(evidence, findings),
            recording=evidence.recording,
            bus=bus,
            buses=buses,
            identifiers=identifiers,
            errors=replace(found.errors or UNASKED, by_sender=found.attribution.by_sender if found.attribution else {}),
            quiet=found.quiet or QuietEvidence(),
            findings=findings,
            causes=causes.ranked(evidence),
        ),
        evidence,
    )


def _findings(evidence: Evidence) -> tuple[Finding, ...]:
    """Put the recording to every check, worst first; those about controls and outputs find none in an empty plan."""
    found = [each for check in checks.ALL for each in check.find(evidence)]
    return tuple(sorted(found, key=lambda each: SEVERITY_ORDER.index(each.severity)))


def _verdict(evidence: Evidence, findings: tuple[Finding, ...]) -> SurveyVerdict:
    """Judge the bus; a recording without frames is not poor, it shows a dead or sleeping bus."""
    if evidence.recording.quality == "poor" and evidence.frames:
        return "too-poor"
    return "failure-found" if any(each.severity == "failure" for each in findings) else "no-failure-found"
