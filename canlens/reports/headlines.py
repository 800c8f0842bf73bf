"""Headlines: what stands first in text and page alike – verdict, where it fails, likely cause, next step, caution."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens import wording
from canlens.reports.phrases import as_read, cause_name, cause_words, likely_cause

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.results.check import CheckResult, OutputResult
    from canlens.results.compare import ComparisonResult
    from canlens.results.finding import Cause, Finding
    from canlens.results.survey import SurveyResult


class Step(NamedTuple):
    """One line of an answer; ``share`` is a probability where there is one, ``term`` the name of a cause."""

    kind: str
    label: str
    text: str
    share: float | None = None
    odds: str = ""
    term: str = ""

    @property
    def words(self) -> str:
        """The line in one sentence."""
        return f"{self.text.rstrip('.')}, {self.odds} ({self.term})." if self.odds else self.text


class Answer(NamedTuple):
    """Verdict as a sign of a link, as a word and as a sentence; where it fails or what is missing; what to do."""

    state: str
    word: str
    sentence: str
    lead: str
    steps: tuple[Step, ...] = ()

    @classmethod
    def of(cls, verdict: str, sentence: str, lead: str, steps: Sequence[Step] = ()) -> Answer:
        """Return an answer; ``lead`` may lack its full stop."""
        lead = wording.sentence(lead)
        return cls(wording.VERDICT_SIGNS[verdict], wording.VERDICTS[verdict], sentence, lead, tuple(steps))


def likely_steps(cause: Cause | None) -> list[Step]:
    """Return the line that names the likely cause, if there is one."""
    if cause is None:
        return []
    odds = wording.likelihood(cause.probability)
    return [Step("likely", "Most likely", cause_words(cause), cause.probability, odds, cause.cause)]


def next_steps(step: str, caution: str = "") -> list[Step]:
    """Return what to do next with the caution that belongs to it, as far as there is any."""
    told = [Step("next", "Do next", wording.capital(wording.sentence(step)))] if step else []
    return [*told, Step("caution", "Caution", caution)] if caution else told


# The answer of a check.


GATE = "poor-recording"
"""The check that withholds all verdicts; where it speaks, nothing else comes first."""
READ_ON = "Read the findings and NOT TESTED below, then record again"


def check_answer(result: CheckResult, findings: Sequence[Finding]) -> Answer:
    """Answer whether the outputs do what they should; ``findings`` with the worst first."""
    tell = {"failed": _worst, "not-proven": _first_unproven, "proven": _what_is_left}
    lead, steps = tell[result.verdict](result, findings)
    return Answer.of(result.verdict, _check_sentence(result), lead, steps)


def verdict_sentence(result: CheckResult) -> str:
    """Say the verdict of the whole job."""
    return f"{wording.VERDICTS[result.verdict]} – {_check_sentence(result)}"


def _check_sentence(result: CheckResult) -> str:
    total = wording.counted(len(result.outputs), "output")
    if result.verdict == "proven":
        them = f"all {total} did" if len(result.outputs) > 1 else "the one output did"
        return f"{them} what the plan says in this recording."
    number = sum(output.verdict == result.verdict for output in result.outputs.values())
    if result.verdict == "not-proven":
        return f"{number} of {total} could not be proven from this recording."
    if not number:
        return "the fault is not in one output, but on the bus or at the controller."
    return f"{number} of {total} {'does' if number == 1 else 'do'} not do what the plan says."


def _worst(result: CheckResult, findings: Sequence[Finding]) -> tuple[str, list[Step]]:
    """Return the answer of a failed job: its worst failure."""
    failed = {name: output for name, output in result.outputs.items() if output.verdict == "failed"}
    worst = findings[0] if findings and findings[0].severity == "failure" else None
    if worst:
        name = next((name for name in worst.subject if name in failed), None)
        where = _break_sentence(name, failed[name], safety=worst.safety) if name else worst.claim
        cause = likely_cause([each for each in result.causes if not name or _is_about(each, name)])
        if cause is not None:
            return where, [*likely_steps(cause), *next_steps(cause.next_test, cause.caution)]
        return where, next_steps(worst.next_step, worst.caution)
    likely = next(iter(as_read(result.causes)), None)
    steps = next_steps(likely.next_test, likely.caution) if likely else next_steps(READ_ON)
    for name, output in failed.items():
        return _break_sentence(name, output, safety=False), steps
    return (f"Most likely: {cause_name(likely)}" if likely else "No single finding explains it"), steps


def _is_about(cause: Cause, name: str) -> bool:
    """Tell whether a cause can explain what is wrong with an output."""
    return name in cause.subject or cause.scope in {"bus", "controller"}


def _break_sentence(name: str, output: OutputResult, *, safety: bool) -> str:
    return f"{name}{' (safety item)' if safety else ''}: {break_words(output)}"


def break_words(output: OutputResult) -> str:
    """Say where the chain of an output breaks; its reason where no single link does."""
    link = output.first_broken_link
    if link is None:
        return output.reason
    number = list(wording.LINKS).index(link) + 1
    return f"broken at link {number} of {len(wording.LINKS)}, {wording.LINK_BREAKS[link]}"


def _first_unproven(result: CheckResult, findings: Sequence[Finding]) -> tuple[str, list[Step]]:
    """Return the answer of a job without proof: a poor recording, else the first output that lacks something."""
    for finding in findings:
        if finding.check == GATE:
            return finding.claim, next_steps(finding.next_step, finding.caution)
    for name, output in result.outputs.items():
        if output.verdict == "not-proven":
            about = next((each for each in findings if name in each.subject), None)
            if output.next_exercise or not about:
                return f"{name}: {output.reason}", next_steps(output.next_exercise or READ_ON)
            return f"{name}: {output.reason}", next_steps(about.next_step, about.caution)
    return "No output of the plan could be judged", next_steps(READ_ON)


def _what_is_left(_result: CheckResult, findings: Sequence[Finding]) -> tuple[str, list[Step]]:
    """Return the answer of a proven job: what no recording shows, and a warning if there is one."""
    where = "No recording can show whether the loads work: look, listen, measure"
    for finding in findings:
        if finding.severity == "warning":
            return where, next_steps(finding.next_step, finding.caution)
    return where, next_steps("Keep the report together with the recording; its NOT TESTED says what was not shown")


# The answer of a survey.


def survey_answer(result: SurveyResult, findings: Sequence[Finding]) -> Answer:
    """Answer whether a bus is well; ``findings`` with the worst first."""
    weighty = [each for each in findings if each.severity != "note"]
    if result.verdict == "too-poor":
        weighty = [each for each in weighty if each.check == GATE] or weighty
    first = weighty[0] if weighty else None
    lead = first.claim if first else _proviso(result)
    steps = [*likely_steps(likely_cause(result.causes)), *(next_steps(first.next_step, first.caution) if first else ())]
    answer = Answer.of(result.verdict, _survey_sentence(result, findings), lead, steps)
    is_doubtful = result.verdict == "no-failure-found" and first is not None
    return answer._replace(word="NO FAILURE FOUND") if is_doubtful else answer


def _survey_sentence(result: SurveyResult, findings: Sequence[Finding]) -> str:
    failures = sum(each.severity == "failure" for each in findings)
    warnings = wording.counted(sum(each.severity == "warning" for each in findings), "warning")
    has_warnings = not warnings.startswith("0 ")
    if result.verdict == "too-poor":
        return "the recording is too poor to judge the bus by."
    if failures:
        more = f" and {warnings}" if has_warnings else ""
        return f"{wording.counted(failures, 'failure')}{more} on this bus."
    if has_warnings:
        return f"but {warnings}; read on before you trust this bus."
    return "nothing wrong was found on this bus in this recording."


def _proviso(result: SurveyResult) -> str:
    """Say what the good answer does not cover."""
    wires = "Wiring and terminating resistors no recording shows: measure them."
    if result.errors.recorded == "yes":
        return wires
    return f"Whether there were errors cannot be told: none were recorded, {wording.NOT_NONE}. {wires}"


# The answer of a comparison.


def comparison_answer(result: ComparisonResult) -> Answer:
    """Answer what changed: what weighs most; where nothing changed, what that does not cover."""
    opened = [each for each in result.changes if not each.explained_by]
    if opened:
        lead = opened[0].sentence
    else:
        told = "What could not be compared stands below; what no recording shows, measure."
        lead = "" if result.verdict == "not-comparable" else told
    cause = likely_cause(result.causes)
    if cause is not None:
        steps = [*likely_steps(cause), *next_steps(cause.next_test, cause.caution)]
    elif opened:
        undo = "Undo the last change of the wiring if you can, record again and compare."
        steps = [] if result.verdict == "better" else next_steps(undo)
    else:
        steps = next_steps(next((each.needed for each in result.not_compared if each.needed), ""))
    return Answer.of(result.verdict, result.sentence, lead, steps)
