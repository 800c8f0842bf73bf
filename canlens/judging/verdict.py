"""Judging: what was measured on an output becomes its verdict, its reason and the state of each link of its chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.judging.chain import chain, links_evidence
from canlens.judging.deviations import unseen_parts
from canlens.judging.settling import open_exercises
from canlens.plan.rule import UNKNOWN
from canlens.results.check import LINKS, LatencyResult, OutputResult, SeenResult, Verdict
from canlens.wording import counted, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.judging.deviations import Judged, Part
    from canlens.nouns.outputs import OutputEvidence
    from canlens.plan import Output
    from canlens.signals import Floats


def output_result(judged: Judged) -> OutputResult:
    """Judge one output.

    Wrong in anything: failed. Every control of its rule exercised often enough, all answered, nothing unasked, nothing
    excused, every planned timer, level and flashing seen, and the rule not confounded with another of the plan:
    proven. Else not proven, with the reason.
    """
    evidence, own, output = judged.evidence, judged.own, judged.output
    is_poor = evidence.recording.quality == "poor"
    links = chain(judged)
    if is_poor:
        links = {link: "cannot-tell" if state == "broken" else state for link, state in links.items()}
    verdict: Verdict = "proven"
    reason = f"{len(own.answers.answered)} of {len(own.answers.due)} exercises answered, nothing unasked"
    if is_poor:
        verdict, reason = "not-proven", f"the recording is poor: {evidence.recording.quality_reasons[0]}"
    elif judged.wrongs:
        verdict, reason = "failed", judged.wrongs[0].sentence
    elif open_end := next(_open_ends(judged), None):
        verdict, reason = "not-proven", open_end
    observed, also = _rules(own, output, verdict)
    following = None if verdict == "proven" else next(open_exercises(judged), None)
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
        latency_s=_latency(own.answers.latency_s if own.judged_from == "bus" else np.zeros(0)),
        links=links,
        first_broken_link=next((link for link in LINKS if links[link] == "broken"), None),
        judged_from=own.judged_from,
        load=output.load,
        observed_how=_how(own),
        untested_rows=own.seen.untested,
        links_evidence=links_evidence(judged),
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


# Open ends: what keeps an output from being proven although nothing is wrong.


UNSEEN: dict[Part, str] = {
    "off": "it was never seen off while its rule was off",
    "run-on": "its run-on of {run_on_s:g} s was never seen to the end",
    "cut-off": "its cut-off after {cut_after_s:g} s was never seen",
    "level-by-day": "its level by day was never seen",
    "level-by-night": "its level by night was never seen",
    "flashing-in-time": "its messages come too seldom to show flashing",
    "flashing": "it was never seen flashing",
}


def _open_ends(judged: Judged) -> Iterator[str]:
    """Yield what is open, each as a short sentence, the first to be mended first."""
    if not judged.evidence.frames:
        yield "there is no traffic in the recording"
        return
    yield from _unseen_messages(judged)
    node = judged.evidence.plan.controller.node or "the controller"
    for each, excuse in judged.excused:
        yield f"{each.sentence}, {excuse.words.format(node=node)}"
    yield from _unseen_exercises(judged)
    yield from _untold(judged.own)
    run_on_s, cut_after_s = judged.output.run_on_s or 0.0, judged.output.cut_after_s or 0.0
    for part in unseen_parts(judged.own, judged.output):
        yield UNSEEN[part].format(run_on_s=run_on_s, cut_after_s=cut_after_s)


def _unseen_messages(judged: Judged) -> Iterator[str]:
    """Name the messages and sights without which the output cannot be judged."""
    evidence, plan, own, output = judged.evidence, judged.evidence.plan, judged.own, judged.output
    for control in output.when.controls:
        if not evidence.controls[control].message_seen:
            message = plan.controls[control].condition.reference.message.name
            yield f"the message of {control} ({message}) never came"
        elif not evidence.controls[control].is_readable:
            reference = plan.controls[control].condition.reference
            yield f"{control} cannot be read: no frame of {reference.message.name} is long enough for {reference.path}"
    if own.judged_from == "nothing":
        if own.message_seen is False and output.command is not None:
            yield f"the message that shows it ({output.command.reference.message.name}) never came"
        else:
            yield "nothing on the bus shows it, and no observations were given"
    elif output.command is not None and own.track is not None and not len(own.track.time_s):
        reference = output.command.reference
        yield f"it cannot be read: no frame of {reference.message.name} is long enough for {reference.path}"


def _unseen_exercises(judged: Judged) -> Iterator[str]:
    """Say which exercises are missing."""
    evidence, plan, own, output = judged.evidence, judged.evidence.plan, judged.own, judged.output
    if own.judged_from == "nothing":
        return
    for control, count in own.exercised.items():
        needed = plan.exercises_needed(output, control)
        if count < needed:
            made = len(evidence.controls[control].exercises)
            if count or not made:
                yield (
                    f"{control} was exercised {count} of {needed} times" if count else f"{control} was never exercised"
                )
            else:
                yield f"{control} was operated {times(made)}, but never so that an answer could be seen"
    fewest = min(plan.exercises_needed(output, control) for control in output.when.controls)
    if not len(own.answers.due):
        yield "its rule never came on in a way that could be judged"
    elif len(own.answers.due) < fewest:
        yield f"{output.when} as a whole came on only {times(len(own.answers.due))}; {fewest} are asked for"
    for rival in own.confounded_with:
        yield f"{output.when} and {rival} never differed, so they cannot be told apart"


def _untold(own: OutputEvidence) -> Iterator[str]:
    """Say what the exercises that were made do not tell."""
    if own.track is not None and len(own.answers.unseen) and own.track.state[-1] == UNKNOWN:
        yield f"its messages stopped; {counted(len(own.answers.unseen), 'exercise')} after that showed nothing"
    for name, state in own.seen.untried:
        yield f"{name} was never {'on' if state else 'off'} where that matters, so nothing shows that it does"
    if own.load is not None and len(own.load.switches_itself):
        yield "its current flows only part of the time: the load switches itself, or a contact is loose"
