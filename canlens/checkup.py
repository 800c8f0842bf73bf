"""Checkup: one recording, or several of one job, put to every check and cause."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from canlens import causes, checks
from canlens.errors import UsageError
from canlens.judging import Judged, deviations, output_result, settled_by
from canlens.measures.gathering import evidence as gather
from canlens.measures.outputs.several import added_control, added_output, in_order, with_own_marks
from canlens.plan.nouns import Marks, Observed
from canlens.plan.tables import check_marks, check_observed
from canlens.results.check import CheckResult, ControlResult, FitResult, RestResult, Verdict, to_dict
from canlens.results.finding import Lines
from canlens.wording import SEVERITY_ORDER

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from canlens.nouns.outputs import Evidence
    from canlens.nouns.pictures import Drawn
    from canlens.plan import Mark, Observation, Plan, Readings
    from canlens.results.check import OutputResult
    from canlens.results.finding import Cause, Finding
    from canlens.trace import Trace

OF_THE_RECORDING = ("poor-recording", "unread-lines", "no-traffic", "odd-reading")
"""Checks that hold whatever the quality of the recording: they are about it, or about the meter."""
DECISIVE = 0.5
"""A cause of bus or controller above this makes the whole job fail."""


@dataclass(frozen=True)
class Checkup:
    """The answer of ``canlens check``, and what it rests on.

    Attributes
    ----------
    result
        What JSON and reports show.
    evidence
        What was measured, one for each recording.
    """

    result: CheckResult
    evidence: tuple[Evidence, ...]

    @property
    def verdict(self) -> Verdict:
        """``proven``, ``failed`` or ``not-proven``."""
        return self.result.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return exactly what ``--json`` writes."""
        return to_dict(self.result)

    def drawn(self, traces: Sequence[Trace] = (), *, channel: str | None = None) -> Drawn:
        """Return what a page shows besides the result; see :func:`canlens.measures.picturing.drawn`."""
        from canlens.measures.picturing import drawn  # noqa: PLC0415 – only wanted where a page is

        return drawn(self.evidence, self.result.findings, traces, channel=channel)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the result as pandas tables: ``outputs``, ``controls``, ``findings``, ``causes``."""
        import pandas as pd  # noqa: PLC0415 – slow to import, and only wanted here

        whole = self.to_dict()
        outputs = [{"output": name, **each} for name, each in whole["outputs"].items()]
        controls = [{"control": name, **each} for name, each in whole["controls"].items()]
        return {
            "outputs": pd.json_normalize(outputs, sep="_"),
            "controls": pd.DataFrame(controls),
            "findings": pd.json_normalize(whole["findings"], sep="_"),
            "causes": pd.DataFrame(whole["causes"]),
        }


def check(
    plan: Plan,
    trace: Trace | Sequence[Trace],
    *,
    marks: Iterable[Mark] | None = None,
    readings: Readings | None = None,
    observed: Iterable[Observation] | None = None,
    channel: str | None = None,
) -> Checkup:
    """Judge the recordings of one job against its plan.

    Parameters
    ----------
    plan
        What the install is meant to do.
    trace
        A recording, or several: their evidence adds up, and where a later one exercises an output again, the later one
        decides for it. Later is what the stamps of a clock say; without them, the order in which they are given.
    marks, readings, observed
        What the person did, what the meter read, what eye or ear saw.
    channel
        The channel to judge; None: the plan's, or all.

    Raises
    ------
    UsageError
        No recording, or none of its frames is on the wanted channel.
    TableError
        A mark names no control of the plan, or an observation no output.
    """
    traces = in_order(tuple(trace) if isinstance(trace, Sequence) else (trace,))
    if not traces:
        raise UsageError("There is no recording to judge; expected one or more.")
    noted = marks if isinstance(marks, Marks) else Marks(marks=tuple(marks or ()))
    seen = observed if isinstance(observed, Observed) else Observed(observations=tuple(observed or ()))
    check_marks(plan, noted)
    check_observed(plan, seen)
    every = with_own_marks(
        [
            gather(plan, each, marks=noted.marks, readings=readings, observed=seen.observations, channel=channel)
            for each in traces
        ]
    )
    deciding = {name: _deciding(every, name) for name in plan.outputs}
    judged = {name: _judged([every[at] for at in parts], name) for name, parts in deciding.items()}
    outputs = {
        name: replace(output_result(each), decided_by=tuple(every[at].recording.file for at in deciding[name]))
        for name, each in judged.items()
    }
    named = _causes(every, deciding)
    unproven = [judged[name] for name, each in outputs.items() if each.verdict == "not-proven"]
    return Checkup(
        CheckResult(
            verdict=_whole(judged.values(), outputs, named),
            title=plan.title,
            recordings=tuple(each.recording for each in every),
            buses=every[-1].buses,
            bus=every[-1].bus,
            controls={name: _control(every, name) for name in plan.controls},
            outputs=outputs,
            findings=_findings(every, deciding),
            causes=named,
            next_exercises=tuple(each.words(plan.controls) for each in settled_by(unproven)),
            fit=_fit(every),
            quiet=_quiet(every[-1]),
        ),
        every,
    )


def _fit(every: Sequence[Evidence]) -> FitResult:
    """Count the plan's messages, and those that any recording holds."""
    missing = set(every[0].missing_messages).intersection(*(each.missing_messages for each in every))
    return FitResult(every[0].needed_messages, every[0].needed_messages - len(missing))


def _quiet(evidence: Evidence) -> RestResult | None:
    """Tell how the bus fell asleep; None for a recording without frames."""
    quiet = evidence.bus_evidence.quiet
    if quiet is None or quiet.last is None:
        return None
    last = quiet.last
    return RestResult(quiet.off_s, quiet.last_change_s, last.time_s, last.name, last.sender, quiet.allowed_s)


def _causes(every: Sequence[Evidence], deciding: dict[str, tuple[int, ...]]) -> tuple[Cause, ...]:
    """Return the causes that the last recording with traffic speaks for; of outputs those that decide for them.

    What is missing from it counts as missing only if no other recording of the job holds it.
    """
    heard = [each for each in every if each.frames] or list(every[-1:])
    absent = set(heard[-1].missing_messages).intersection(*(each.missing_messages for each in heard))
    never = set(heard[-1].absent_messages).intersection(*(each.absent_messages for each in heard))
    whole = replace(heard[-1], missing_messages=tuple(sorted(absent)), absent_messages=tuple(sorted(never)))
    if len(every) == 1:
        return causes.ranked(whole)
    best = {(each.cause, each.subject): each for each in causes.ranked(whole) if each.scope != "output"}
    for index, evidence in enumerate(every):
        for each in causes.ranked(evidence):
            known = best.get((each.cause, each.subject))
            decides = each.subject and all(index in deciding.get(name, ()) for name in each.subject)
            if each.scope == "output" and decides and (known is None or known.probability < each.probability):
                best[each.cause, each.subject] = each
    return tuple(sorted(best.values(), key=lambda each: -each.probability))


def _deciding(every: Sequence[Evidence], name: str) -> tuple[int, ...]:
    """Tell which recordings decide for an output.

    They add up, until one exercises an output that had failed before, or fails: then that one decides; a failure that
    something excuses is one here, since it leaves the output open. Poor recordings are left out where there are
    better ones.
    """
    sound = [index for index, each in enumerate(every) if each.recording.quality != "poor"] or list(range(len(every)))
    chosen: list[int] = []
    failed = False
    for index in sound:
        own_failed = bool(deviations(every[index], name))
        if own_failed or (failed and len(every[index].outputs[name].answers.due)):
            chosen = [index]
            failed = own_failed
        elif not failed:
            chosen.append(index)
    return tuple(chosen)


def _judged(parts: Sequence[Evidence], name: str) -> Judged:
    """Judge an output on the recordings that decide for it, taken as one."""
    last = parts[-1]
    together = replace(
        last,
        frames=sum(each.frames for each in parts),
        controls={control: added_control([each.controls[control] for each in parts]) for control in last.controls},
    )
    found = tuple(deviation for each in parts for deviation in deviations(each, name))
    return Judged(together, added_output([each.outputs[name] for each in parts]), last.plan.outputs[name], found)


def _whole(judged: Iterable[Judged], outputs: dict[str, OutputResult], named: Sequence[Cause]) -> Verdict:
    """Judge the whole job; what excuses an output by another link that is broken fails it too."""
    verdicts = {each.verdict for each in outputs.values()}
    is_broken = any(excuse.link for each in judged for _, excuse in each.excused)
    if is_broken or causes.wrong_beyond_outputs(named) > DECISIVE or "failed" in verdicts:
        return "failed"
    return "not-proven" if "not-proven" in verdicts else "proven"


def _control(every: Sequence[Evidence], name: str) -> ControlResult:
    """Summarise one control over all recordings; the times are those of the first and last recording that has any."""
    own = added_control([each.controls[name] for each in every])
    times_s: np.ndarray[tuple[int], np.dtype[np.float64]] = own.exercises.time_s
    return ControlResult(
        signal=every[-1].plan.controls[name].condition.reference.path,
        exercises=len(own.exercises),
        first_s=float(times_s[0]) if len(times_s) else None,
        last_s=float(times_s[-1]) if len(times_s) else None,
        marked=len(own.marked) if own.marked is not None else None,
    )


def _findings(every: Sequence[Evidence], deciding: dict[str, tuple[int, ...]]) -> tuple[Finding, ...]:
    """Put every recording to every check; of outputs only where the recording decides for them. Worst first."""
    found: list[Finding] = []
    for index, evidence in enumerate(every):
        for check in checks.ALL:
            if check.of_whole_job and len(every) > 1:
                continue
            for each in check.find(evidence):
                about = [name for name in each.subject if name in deciding]
                if about and index not in deciding[about[0]]:
                    continue
                found.append(_gated(replace(each, evidence=replace(each.evidence, recording=index)), evidence))
    if len(every) > 1:
        whole = _whole_job(every, deciding)
        nowhere = Lines(recording=len(every) - 1)
        unseen = [each for check in checks.ALL if check.of_whole_job for each in check.find(whole)]
        found += [replace(each, evidence=nowhere) for each in unseen]
    return tuple(sorted(found, key=lambda each: (SEVERITY_ORDER.index(each.severity), not each.safety)))


def _gated(finding: Finding, evidence: Evidence) -> Finding:
    """Return a finding as no more than a note where it rests on a poor recording, unless it is about just that."""
    if evidence.recording.quality != "poor" or finding.check in OF_THE_RECORDING or finding.severity == "note":
        return finding
    return replace(finding, severity="note", cannot_tell=f"The recording is poor. {finding.cannot_tell}")


def _whole_job(every: Sequence[Evidence], deciding: dict[str, tuple[int, ...]]) -> Evidence:
    """Return the evidence of all recordings as one, each output's from those that decide for it."""
    return replace(
        every[-1],
        controls={name: added_control([each.controls[name] for each in every]) for name in every[-1].controls},
        outputs={name: added_output([every[at].outputs[name] for at in parts]) for name, parts in deciding.items()},
    )
