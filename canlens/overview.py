"""Overview: the bus of one recording by itself, without a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens import causes, checks
from canlens.database import Database
from canlens.measures.gathering import surveyed
from canlens.plan import Bus, Plan
from canlens.results.survey import (
    CounterResult,
    ErrorsResult,
    FormulaResult,
    IdentifierResult,
    IntervalResult,
    QuietResult,
    RangeResult,
    SpeakerResult,
    StateResult,
    StopResult,
    SurveyBusResult,
    SurveyResult,
    SurveyVerdict,
    WakeResult,
    survey_form,
)
from canlens.wire import INTERMISSION_BITS
from canlens.wording import SEVERITY_ORDER

if TYPE_CHECKING:
    import pandas as pd

    from canlens.measures.bus_load.load import ChannelLoad
    from canlens.measures.gathering import Surveyed
    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import MessageEvidence, QuietEvidence, Speaker
    from canlens.nouns.outputs import Evidence
    from canlens.nouns.pictures import Drawn
    from canlens.results.finding import Finding
    from canlens.signals import Floats
    from canlens.trace import Trace


# Survey rows: what was measured of a bus, as the rows of its result.


PERCENTS = (50, 90, 95, 99)
"""Percentiles of the windows' loads that are shown."""


@dataclass(frozen=True)
class BusRows:
    """The chosen channel, and all by name."""

    chosen: SurveyBusResult
    every: dict[str, SurveyBusResult]


def bus_rows(measured: Surveyed) -> BusRows:
    """Return the load of every channel."""
    every = {name: _bus_row(measured, name) for name in measured.loads}
    bus = measured.evidence.bus
    unmeasured = SurveyBusResult(
        **vars(bus),
        bit_rate_because="as given" if bus.bit_rate else "there are no frames",
        intermission_bits=INTERMISSION_BITS,
        percentiles={},
        formulas=None,
        with_errors=None,
        by_sender={},
        note="",
    )
    channel = measured.evidence.plan.bus.channel
    return BusRows(every.get(channel or "", next(iter(every.values()), unmeasured)), every)


def _bus_row(measured: Surveyed, channel: str) -> SurveyBusResult:
    """Return the load of one channel."""
    found: ChannelLoad = measured.loads[channel]
    load = found.load
    percentiles = {str(percent): load.percentile(percent) for percent in PERCENTS} if load else {}
    return SurveyBusResult(
        **vars(found.result),
        bit_rate_because=found.because,
        intermission_bits=INTERMISSION_BITS,
        percentiles={percent: value for percent, value in percentiles.items() if value is not None},
        formulas=FormulaResult(*found.formulas) if found.formulas else None,
        with_errors=RangeResult(*load.with_errors) if load and load.with_errors else None,
        by_sender=_by_sender(measured, channel),
        note=load.note if load else "",
    )


def _by_sender(measured: Surveyed, channel: str) -> dict[str, float]:
    """Split a channel's load over the nodes that the database names, the largest first."""
    loads = message_loads(measured)
    total: dict[str, float] = {}
    for message, load in zip(measured.evidence.bus_evidence.intervals, loads.tolist(), strict=True):
        if message.channel == channel and np.isfinite(load):
            sender = sender_of(message) or ""
            total[sender] = total.get(sender, 0.0) + load
    if set(total) == {""}:
        return {}
    return dict(sorted(total.items(), key=lambda item: -item[1]))


def message_loads(measured: Surveyed) -> Floats:
    """Return the load that each identifier puts on its channel, float64 (g,); nan where it is not known."""
    channels = tuple(measured.loads)
    out = np.full(len(measured.streams), np.nan)
    for index, found in enumerate(measured.loads.values()):
        if found.load is None:
            continue
        own = measured.streams.channel == index if len(channels) > 1 else np.ones(len(out), np.bool_)
        out[own] = measured.shares(found.load)[own]
    return out


def sender_of(message: MessageEvidence) -> str | None:
    """Return who may send a message; None where the database does not say."""
    return ", ".join(message.senders) or None


def identifier_rows(measured: Surveyed) -> tuple[IdentifierResult, ...]:
    """Return a row for each identifier on each channel."""
    loads = message_loads(measured)
    pairs = zip(measured.evidence.bus_evidence.intervals, loads.tolist(), strict=True)
    return tuple(_identifier_row(message, load if np.isfinite(load) else None) for message, load in pairs)


def _identifier_row(message: MessageEvidence, load: float | None) -> IdentifierResult:
    interval, counter = message.interval, message.counter
    return IdentifierResult(
        identifier=f"0x{message.identifier:x}",
        is_extended=message.is_extended,
        channel=message.channel,
        message=message.message.name if message.message else None,
        sender=sender_of(message),
        frames=message.frames,
        interval_s=IntervalResult(interval.median, interval.min, interval.max, interval.sd) if interval else None,
        cycle_time_s=message.declared_s,
        payload_length=message.lengths.usual,
        bus_load=load,
        is_remote=message.is_remote,
        kind=message.kind,
        fitted_cycle_s=message.cycle_s,
        jitter_s=message.jitter_s,
        first_s=message.first_s,
        last_s=message.last_s,
        gaps=len(message.gaps.seen),
        missed=message.gaps.missed,
        late=message.late,
        bursts=message.bursts,
        stopped_s=message.stopped_s,
        started_s=message.started_s,
        payload_lengths={str(length): count for length, count in message.lengths.counts.items()},
        counter=None
        if counter is None
        else CounterResult(
            counter.start_bit,
            counter.length,
            counter.lowest,
            counter.highest,
            len(counter.skipped),
            len(counter.repeated),
        ),
        two_senders=message.two_senders is not None,
    )


def errors_row(evidence: BusEvidence) -> ErrorsResult:
    """Return what the recording says of errors."""
    ledger, attribution = evidence.errors, evidence.attribution
    if ledger is None:
        return ErrorsResult(0, 0, {}, {}, {}, (), "unknown", "errors were not looked for")
    return ErrorsResult(
        frames=ledger.frames,
        episodes=len(ledger.episodes),
        classes=ledger.classes,
        places=ledger.places,
        by_sender={name: share.episodes for name, share in attribution.by_sender.items()} if attribution else {},
        states=tuple(StateResult(each.time_s, each.state, each.tec, each.rec) for each in ledger.states),
        recorded=ledger.recorded,
        because=ledger.recorded_because,
    )


def quiet_row(quiet: QuietEvidence | None) -> QuietResult:
    """Return when the bus was awake."""
    if quiet is None or quiet.last is None:
        return QuietResult(None, None, (), ())
    return QuietResult(
        last_frame_s=quiet.last.time_s,
        last=_speaker_row(quiet.last),
        wakes=tuple(
            WakeResult(each.silent_from_s, each.first.time_s, _speaker_row(each.first)) for each in quiet.wakes
        ),
        stops=tuple(StopResult(each.from_s, each.to_s, each.line, each.counters) for each in quiet.stops),
    )


def _speaker_row(speaker: Speaker) -> SpeakerResult:
    identifier = f"0x{speaker.identifier:x}"
    return SpeakerResult(
        time_s=speaker.time_s,
        line=speaker.line,
        identifier=identifier,
        is_extended=speaker.is_extended,
        message=speaker.name if speaker.name != identifier else None,
        sender=speaker.sender,
    )


# Overview: the bus of one recording by itself, without a plan.


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
    return tuple(sorted(found, key=lambda each: SEVERITY_ORDER.index(each.severity)))


def _verdict(evidence: Evidence, findings: tuple[Finding, ...]) -> SurveyVerdict:
    """Judge the bus; a recording without frames is not poor, it shows a dead or sleeping bus."""
    if evidence.recording.quality == "poor" and evidence.frames:
        return "too-poor"
    return "failure-found" if any(each.severity == "failure" for each in findings) else "no-failure-found"
