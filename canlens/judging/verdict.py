"""Judging: what was measured on an output becomes its verdict, its reason and the state of each link of its chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.judging.chain import chain, links_evidence
from canlens.judging.settling import next_exercise
from canlens.judging.wrongs import missing, wrongs
from canlens.results.check import LINKS, LatencyResult, OutputResult, SeenResult, Verdict

if TYPE_CHECKING:
    from canlens.nouns.outputs import Evidence, OutputEvidence
    from canlens.plan import Output
    from canlens.signals import Floats


def output_result(evidence: Evidence, name: str) -> OutputResult:
    """Judge one output on one recording.

    Wrong in anything: failed. Every control of its rule exercised often enough, all answered, nothing unasked,
    every planned timer, level and flashing seen, and the rule not confounded with another of the plan: proven. Else
    not proven, with the reason.
    """
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    links = chain(evidence, name)
    if evidence.recording.quality == "poor":
        links = {link: "cannot-tell" if state == "broken" else state for link, state in links.items()}
    broken = next((link for link in LINKS if links[link] == "broken"), None)
    wrong = wrongs(evidence, name)
    open_ends = missing(evidence, name)
    verdict: Verdict = "proven"
    reason = f"{len(own.answers.answered)} of {len(own.answers.due)} exercises answered, nothing unasked"
    if evidence.recording.quality == "poor":
        verdict, reason = "not-proven", f"the recording is poor: {evidence.recording.quality_reasons[0]}"
    elif wrong:
        verdict, reason = "failed", wrong[0]
    elif open_ends:
        verdict, reason = "not-proven", open_ends[0]
    latency = own.answers.latency_s if own.judged_from == "bus" else np.zeros(0)
    observed, also = _rules(own, output, verdict)
    following = None if verdict == "proven" else next_exercise(evidence, name)
    return OutputResult(
        verdict=verdict,
        reason=reason,
        planned=str(output.when),
        observed=observed,
        also_fits=also,
        next_exercise=following.words(evidence.plan.controls) if following else None,
        due=len(own.answers.due),
        answered=len(own.answers.answered),
        late=len(own.answers.late),
        unasked=len(own.answers.unasked),
        too_short=len(own.answers.too_short),
        latency_s=_latency(latency),
        links=links,
        first_broken_link=broken,
        judged_from=own.judged_from,
        load=output.load,
        observed_how=_how(own),
        untested_rows=own.seen.untested,
        links_evidence=links_evidence(evidence, name),
    )


def _latency(latency_s: Floats) -> LatencyResult:
    """Summarise latencies [s]."""
    if not len(latency_s):
        return LatencyResult(None, None)
    return LatencyResult(float(np.median(latency_s)), float(latency_s.max()))


def _how(own: OutputEvidence) -> SeenResult:
    """Tell how the output follows the rule it was seen to follow."""
    seen = own.seen
    level_day, level_night = (
        float(np.median(level.medians)) if level is not None and len(level.medians) else None
        for level in (own.day, own.night)
    )
    flash_hz = own.flash.frequency_hz[np.isfinite(own.flash.frequency_hz)] if own.flash is not None else np.zeros(0)
    return SeenResult(
        explained=seen.explained,
        exercises=seen.exercises,
        coincidence=seen.coincidence,
        latching=seen.is_latching,
        latency_s=_latency(seen.latency_s),
        run_on_s=seen.run_on_s,
        cut_off_s=seen.cut_off_s,
        level_day=level_day,
        level_night=level_night,
        flash_hz=float(np.median(flash_hz)) if len(flash_hz) else None,
    )


def _rules(own: OutputEvidence, output: Output, verdict: Verdict) -> tuple[str | None, tuple[str, ...]]:
    """Return the rule that was observed and the others that fit as well, none of them the same rule twice."""
    if not own.fits:
        return (str(output.when) if verdict == "proven" else None), ()
    planned = next((rule for rule in own.fits if rule.same_as(output.when)), None)
    chosen = planned or own.fits[0]
    return str(output.when if planned else chosen), tuple(str(rule) for rule in own.fits if rule is not chosen)
