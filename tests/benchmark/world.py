"""How often ``check`` is right in the world: jobs as workshops have them, with odd recorders, boxes, loads and people.

::

    python -m tests.benchmark.world [--each 10] [--seed 1] [--only NAME ...] [--page] [--workers 1] [--tell]

Of each family of :mod:`tests.drawn.world` ``--each`` jobs are drawn and checked, and each answer is

- **right**: all that is sound is proven, or what is wrong is named first with more than even odds, and nothing false is
  said beside it;
- **safe**: nothing false is said, but not all that could be;
- **misleading**: a false cause above even odds, or a failure found in something sound, beside right verdicts; or first
  a cause that is literally true and leads nowhere;
- **wrong**: a sound output failed, a broken or untried one proven, a healthy job failed, a false cause first.

``--page`` writes the figures into ``tests/benchmark/figures/world.md``; ``--tell`` prints every answer that is wrong.
"""

from __future__ import annotations

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from canlens.checkup import check
from tests.drawn.world import FAMILIES, Job, draw_job

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.results.check import CheckResult
    from canlens.results.finding import Cause
    from tests.drawn.world import Family, Named, Truth

PAGE = Path(__file__).parent / "figures" / "world.md"
Grade = Literal["right", "safe", "misleading", "wrong"]
GRADES: tuple[Grade, ...] = ("right", "safe", "misleading", "wrong")
PSEUDO = ("none-of-these", "not-enough-evidence")
LIKELY = 0.5
SURE = 0.9
BINS = 10
APART = 1000
"""Seeds between two families."""


@dataclass(frozen=True)
class Answer:
    """One job and what became of it.

    Attributes
    ----------
    family, seed, detail
        Which job.
    is_healthy
        Whether nothing is wrong with its install.
    grade
        What the answer is worth.
    because
        What is false in it, or missing.
    told
        Probability of each cause that was told, and whether it is true.
    outputs
        State and verdict of each output.
    is_failed
        Whether the job as a whole failed.
    """

    family: str
    seed: int
    detail: str
    is_healthy: bool
    grade: Grade
    because: tuple[str, ...]
    told: tuple[tuple[float, bool], ...]
    outputs: tuple[tuple[str, str], ...]
    is_failed: bool


def answered(job: Job) -> Answer:
    """Check a job and grade the answer."""
    result = check(job.plan, job.traces, marks=job.marks).result
    truth = job.truth
    named = [one for one in result.causes if one.cause not in PSEUDO]
    true = (*truth.causes, *truth.besides)
    wrong = list(_wrong(result, named, truth))
    misleading = list(_misleading(result, named, truth))
    missing = list(_missing(result, named, truth))
    grade: Grade = "wrong" if wrong else "misleading" if misleading else "safe" if missing else "right"
    return Answer(
        job.family,
        job.seed,
        job.detail,
        truth.is_healthy,
        grade,
        tuple(wrong or misleading or missing),
        tuple((one.probability, _is_among(one, true)) for one in named),
        tuple((truth.outputs[name], one.verdict) for name, one in result.outputs.items()),
        result.verdict == "failed",
    )


def _wrong(result: CheckResult, named: Sequence[Cause], truth: Truth) -> Iterator[str]:
    """Yield what is plainly false."""
    for name, one in result.outputs.items():
        state = truth.outputs[name]
        if one.verdict == "failed" and state in {"sound", "untried", "unclear"}:
            yield f"{name}: {state}, failed ({one.reason})"
        if one.verdict == "proven" and state in {"broken", "untried"}:
            yield f"{name}: {state}, proven"
    if result.verdict == "failed" and truth.is_healthy:
        yield "healthy, failed"
    first = named[0] if named else None
    if first is not None and first.probability >= LIKELY and not _is_known(first, truth):
        yield f"first {_said(first)}"


def _misleading(result: CheckResult, named: Sequence[Cause], truth: Truth) -> Iterator[str]:
    """Yield what is false beside verdicts that are right, or leads nowhere."""
    for one in named[1:]:
        if one.probability >= LIKELY and not _is_known(one, truth):
            yield f"also {_said(one)}"
    if named and named[0].probability >= LIKELY and _is_among(named[0], truth.shallow):
        yield f"shallow {_said(named[0])}"
    sound = {name for name, state in truth.outputs.items() if state in {"sound", "unclear"}}
    for finding in result.findings:
        if finding.severity == "failure" and finding.subject and set(finding.subject) <= sound:
            yield f"finding {finding.check}: {', '.join(finding.subject)}"


def _missing(result: CheckResult, named: Sequence[Cause], truth: Truth) -> Iterator[str]:
    """Yield what could have been said, and was not."""
    for name, one in result.outputs.items():
        if truth.outputs[name] == "sound" and one.verdict != "proven":
            yield f"{name}: sound, {one.verdict} ({one.reason})"
    first = named[0] if named else None
    if truth.causes and (first is None or first.probability < LIKELY or not _is_among(first, truth.causes)):
        yield f"not named: {truth.causes[0][0]}"
    if truth.finding and all(one.check != truth.finding for one in result.findings):
        yield f"not found: {truth.finding}"


def _is_known(cause: Cause, truth: Truth) -> bool:
    return _is_among(cause, (*truth.causes, *truth.besides, *truth.shallow))


def _is_among(cause: Cause, known: Sequence[Named]) -> bool:
    """Tell whether a cause is one of these, with its place."""
    return any(cause.cause == name and (place == "*" or place in cause.subject) for name, place in known)


def _said(cause: Cause) -> str:
    return f"{cause.cause}:{','.join(cause.subject)} {cause.probability:.0%}"


def of_family(number: int, each: int, seed: int) -> list[Answer]:
    """Draw and check the jobs of one family, by its number."""
    family: Family = FAMILIES[number]
    answers: list[Answer] = []
    after = seed + number * APART
    while len(answers) < each:
        job = draw_job(family, after)
        answers.append(answered(job))
        after = job.seed + 1
    return answers


def page(answers: Sequence[Answer], seed: int) -> str:
    """Return the page of figures."""
    return "\n".join(
        [
            "# How often the answer is right in the world",
            "",
            f"{len(answers)} jobs of {len({one.family for one in answers})} families, drawn from seed {seed} on, by",
            "`python -m tests.benchmark.world --page`. What the words mean stands there.",
            "",
            *_totals(answers),
            "",
            "| Probability told | Causes | Of these right |",
            "|---|---|---|",
            *_reliability([pair for one in answers for pair in one.told]),
            "",
            "| Family | Jobs | Right | Safe | Misleading | Wrong |",
            "|---|---|---|---|---|---|",
            *_by_family(answers),
            "",
        ]
    )


def _totals(answers: Sequence[Answer]) -> list[str]:
    """Return the main figures."""
    grades = Counter(one.grade for one in answers)
    healthy = [one for one in answers if one.is_healthy]
    outputs = [pair for one in answers for pair in one.outputs]
    proven = [state for state, verdict in outputs if verdict == "proven"]
    failed = [state for state, verdict in outputs if verdict == "failed"]
    sure = [right for one in answers for told, right in one.told if told >= SURE]
    return [
        "| What | Share |",
        "|---|---|",
        *(f"| {grade} | {_share(grades[grade], len(answers))} |" for grade in GRADES),
        f"| wrong or misleading | {_share(grades['wrong'] + grades['misleading'], len(answers))} |",
        f"| healthy jobs that failed | {_share(sum(one.is_failed for one in healthy), len(healthy))} |",
        f"| failed outputs that are sound | {_share(sum(one in SOUND for one in failed), len(failed))} |",
        f"| proven outputs that are broken or untried | {_share(sum(one in BAD for one in proven), len(proven))} |",
        f"| causes told at 90 % or more that are right | {_share(sum(sure), len(sure))} |",
    ]


SOUND, BAD = ("sound", "untried", "unclear"), ("broken", "untried")


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole}, {part / whole:.1%}" if whole else "–"


def _reliability(told: Sequence[tuple[float, bool]]) -> list[str]:
    """Return, for ten bins of probability, how many causes were told and how many of them were right."""
    rows = []
    for low in range(BINS):
        own = [right for probability, right in told if low <= min(probability * BINS, BINS - 0.01) < low + 1]
        right = f"{sum(own) / len(own):.0%}" if own else "–"
        rows.append(f"| {low * 10}–{low * 10 + 10} % | {len(own)} | {right} |")
    return rows


def _by_family(answers: Sequence[Answer]) -> list[str]:
    """Return a row for each family."""
    rows = []
    for name in dict.fromkeys(one.family for one in answers):
        own = Counter(one.grade for one in answers if one.family == name)
        counted = " | ".join(str(own[grade]) for grade in GRADES)
        rows.append(f"| {name} | {own.total()} | {counted} |")
    return rows


def told(one: Answer) -> str:
    """Return one line about an answer that is not right."""
    return f"{one.grade:10} {one.family} {one.seed} [{one.detail}]: {'; '.join(one.because)}"


def main() -> None:
    """Run it as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--page", action="store_true")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--tell", action="store_true")
    given = parser.parse_args()
    chosen = [number for number, one in enumerate(FAMILIES) if not given.only or one.name in given.only]
    with ProcessPoolExecutor(given.workers) as pool:
        parts = [pool.submit(of_family, number, given.each, given.seed) for number in chosen]
        answers = [one for part in parts for one in part.result()]
    text = page(answers, given.seed)
    print(text)
    if given.tell:
        print("\n".join(told(one) for one in answers if one.grade != "right"))
    if given.page:
        PAGE.parent.mkdir(exist_ok=True)
        PAGE.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
