"""Judging: what was measured on an output becomes its verdict, its reason and the state of each link of its chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.judging.chain import chain
from canlens.judging.wrongs import missing, times, wrongs
from canlens.measures.mapping import telling_exercise
from canlens.plan.rule import Rule, parse_rule
from canlens.results import LINKS, LatencyResult, OutputResult, Verdict

if TYPE_CHECKING:
    from canlens.evidence import Evidence, OutputEvidence
    from canlens.plan import Output


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
    observed, also = _rules(evidence, own, output, verdict)
    return OutputResult(
        verdict=verdict,
        reason=reason,
        planned=str(output.when),
        observed=observed,
        also_fits=also,
        next_exercise=None if verdict == "proven" else _next_exercise(evidence, own, output, observed, also),
        due=len(own.answers.due),
        answered=len(own.answers.answered),
        late=len(own.answers.late),
        unasked=len(own.answers.unasked),
        too_short=len(own.answers.too_short),
        latency_s=LatencyResult(
            float(np.median(latency)) if len(latency) else None,
            float(latency.max()) if len(latency) else None,
        ),
        links=links,
        first_broken_link=broken,
        judged_from=own.judged_from,
        load=output.load,
    )


def _rules(
    evidence: Evidence, own: OutputEvidence, output: Output, verdict: Verdict
) -> tuple[str | None, tuple[str, ...]]:
    """Return the rule that was observed and the others that fit as well, none of them the same rule twice."""
    if not own.fits:
        return (str(output.when) if verdict == "proven" else None), ()
    fits = [_rule(text, evidence) for text in own.fits]
    planned = next((rule for rule in fits if rule.same_as(output.when)), None)
    chosen = planned or fits[0]
    return (str(output.when) if planned else str(chosen)), tuple(str(rule) for rule in fits if rule is not chosen)


def _next_exercise(
    evidence: Evidence, own: OutputEvidence, output: Output, observed: str | None, also: tuple[str, ...]
) -> str | None:
    """Name the exercise that would bring the output closest to an answer; None where none is open."""
    for control, count in own.exercised.items():
        lacking = evidence.plan.exercises_needed(output, control) - count
        if lacking > 0:
            more = "once more" if lacking == 1 else f"{times(lacking)} more"
            return f"operate {control} {more}, each time for at least {_hold(own, output):.1f} s"
    pairs = [(output.when, rival) for rival in own.confounded_with]
    pairs += [(_rule(observed, evidence), rival) for rival in also if observed is not None]
    exercises = (telling_exercise(rule, _rule(rival, evidence)) for rule, rival in pairs)
    return next((exercise for exercise in exercises if exercise), None)


def _rule(text: str, evidence: Evidence) -> Rule:
    return parse_rule(text, tuple(evidence.plan.controls))


def _hold(own: OutputEvidence, output: Output) -> float:
    """Return how long an exercise must last to be judged [s]."""
    return output.within_s + (own.track.slack_s if own.track else 1.0) + 0.1
