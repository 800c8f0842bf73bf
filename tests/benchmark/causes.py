"""How well the ranked causes name what is wrong: hundreds of drawn installs, each with a known fault.

::

    python -m tests.benchmark.causes [--each 20] [--seed 1] [--page] [--workers 1]

Each cause of the catalogue is built into ``--each`` drawn installs (other vehicle, controller, plan and strength every
time); besides there are healthy installs, installs that nobody operated, and installs with two faults. Printed are the
shares of right answers, beside two baselines. ``--page`` writes the figures into figures/causes.md.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canlens.causes import ALL
from canlens.checkup import Checkup, check
from canlens.errors import UsageError
from canlens.trace import NANOSECONDS_PER_SECOND
from tests.drawn import DrawnInstall, draw_install

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canlens.rehearsal.rehearsals import InjectedFault
    from canlens.results.finding import Cause

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- figures of the causes: begin -->", "<!-- figures of the causes: end -->"
WITH_METER = ("lines-shorted", "terminator-extra")
"""Causes that only a meter tells from their rivals."""
PSEUDO = ("none-of-these", "not-enough-evidence")
BINS = 10
SEEDS_TRIED = 60
FIRST_THREE = 3
MOST_FREQUENT = "output-not-commanded"
RULES = {
    "no-traffic": "no-traffic",
    "silent-controller": "controller-silent",
    "missing-message": "message-missing",
    "unmoved-control": "control-never-changes",
    "exchanged-outputs": "outputs-swapped",
    "misrouted-output": "output-follows-other-control",
    "over-current": "load-over-current",
    "dead-load": "load-open",
    "late-answer": "answer-late",
    "wrong-run-on": "run-on-differs",
    "wrong-cut-off": "cut-off-differs",
    "wrong-level": "level-differs",
    "wrong-flashing": "flash-differs",
    "stuck-output": "output-always-on",
    "unanswered-control": "output-not-commanded",
    "stays-awake": "bus-stays-awake",
    "duplicate-sender": "duplicate-identifier",
}
"""The plain rule list: the first check of these that finds something names the cause."""


@dataclass(frozen=True)
class Result:
    """One install: what is wrong with it, and what was said."""

    truth: tuple[InjectedFault, ...]
    causes: tuple[Cause, ...]
    by_rules: str
    seed: int

    def right(self, fault: InjectedFault, first: int) -> bool:
        """Tell whether a fault is among the first causes, at the right place."""
        return any(is_same(each, fault) for each in self.causes[:first])


def is_same(cause: Cause, fault: InjectedFault) -> bool:
    """Tell whether a cause names a fault and, where it has one, its place."""
    return cause.cause == fault.cause and (not fault.subject or tuple(sorted(cause.subject)) == fault.subject)


def judged(install: DrawnInstall, seed: int, *, with_readings: bool) -> Result:
    """Check one install."""
    made = install.rehearsal
    checkup = check(
        install.plan,
        made.trace,
        marks=made.marks,
        readings=made.readings if with_readings else None,
        observed=made.observed,
    )
    return Result(made.truth.faults, checkup.result.causes, by_rules(checkup), seed)


def by_rules(checkup: Checkup) -> str:
    """Return the cause that the plain rule list names; empty for none."""
    found = {each.check for each in checkup.result.findings}
    return next((cause for check, cause in RULES.items() if check in found), "")


def unexercised(install: DrawnInstall) -> DrawnInstall:
    """Cut the recording off before anybody operates a control, but keep at least a few seconds."""
    made = install.rehearsal
    first_s = min(each.time_s for each in made.marks) if made.marks else np.inf
    until_ns = max(round((first_s - 0.5) * NANOSECONDS_PER_SECOND), made.trace.start_ns + NANOSECONDS_PER_SECOND)
    trace = made.trace.where(made.trace.time_ns < until_ns)
    return replace(install, rehearsal=replace(made, trace=trace, marks=(), observed=()))


def drawn(
    seed: int, faults: list[str] | str | None, need: Callable[[DrawnInstall], bool] | None = None
) -> Iterator[tuple[int, DrawnInstall]]:
    """Draw installs, beginning with a seed, that can have these faults."""
    for one in range(seed, seed + SEEDS_TRIED):
        try:
            install = draw_install(one, fault=faults)
        except UsageError:
            continue
        if need is None or need(install):
            yield one, install


def single(number: int, each: int, seed: int) -> list[Result]:
    """Check one cause, by its number in the catalogue, in ``each`` installs."""
    name, base = ALL[number].name, seed + number * 1000
    made = zip(range(each), drawn(base, name), strict=False)
    return [judged(install, one, with_readings=name in WITH_METER) for _, (one, install) in made]


def both_show(install: DrawnInstall) -> bool:
    """Tell whether neither of two faults hides the other: no output hangs on a control that is dead."""
    plan, faults = install.plan, install.rehearsal.truth.faults
    dead = {name for fault in faults if fault.cause == "control-never-changes" for name in fault.subject}
    gone = {name for fault in faults if fault.cause == "message-missing" for name in fault.subject}
    dead |= {name for name, each in plan.controls.items() if each.condition.reference.message.name in gone}
    outputs = [name for fault in faults for name in fault.subject if name in plan.outputs]
    return not any(dead & set(plan.outputs[name].when.controls) for name in outputs)


def double(number: int, seed: int) -> list[Result]:
    """Check installs with two faults that leave each other to be seen."""
    names = [
        each.name for each in ALL if each.question in {"routing", "release", "level", "flashing", "load", "control"}
    ]
    names += ["message-missing", "interference-from-output", "bus-stays-awake", "duplicate-identifier"]
    generator = np.random.default_rng(seed)
    results: list[Result] = []
    while len(results) < number:
        pair = [str(each) for each in generator.choice(names, 2, replace=False)]
        found = next(drawn(seed + 30_000 + 100 * len(results), pair, need=both_show), None)
        if found is not None:
            results.append(judged(found[1], found[0], with_readings=False))
    return results


def healthy(number: int, seed: int, *, operated: bool) -> list[Result]:
    """Check installs without fault."""
    seeds = range(seed + 60_000, seed + 60_000 + number)
    made = ((one, draw_install(one)) for one in seeds)
    return [judged(install if operated else unexercised(install), one, with_readings=False) for one, install in made]


def share(values: list[bool]) -> float:
    """Return the share of true values; nan of none."""
    return float(np.mean(values)) if values else float("nan")


def named(result: Result) -> list[Cause]:
    """Return the causes that were named, without the answers that name none."""
    return [each for each in result.causes if each.cause not in PSEUDO]


def brier(results: list[Result]) -> float:
    """Return the mean squared error of the first cause's probability, against whether it is right (Brier 1950).

    Where nothing is named, the probability that nothing is wrong counts as 1.
    """
    errors = []
    for each in results:
        first = each.causes[0] if each.causes else None
        if first is None or first.cause == PSEUDO[1]:
            errors.append(float(bool(each.truth)))
        else:
            errors.append((first.probability - any(is_same(first, fault) for fault in each.truth)) ** 2)
    return float(np.mean(errors))


def reliability(results: list[Result]) -> list[str]:
    """Return, for ten bins of probability, how many causes were told and how many of them were right."""
    pairs = [
        (cause.probability, any(is_same(cause, fault) for fault in each.truth))
        for each in results
        for cause in named(each)
    ]
    rows = []
    for low in range(BINS):
        own = [right for told, right in pairs if low <= min(told * BINS, BINS - 0.01) < low + 1]
        rows.append(
            f"| {low * 10}–{low * 10 + 10} % | {len(own)} | {share(own) * 100:.0f} % |"
            if own
            else f"| {low * 10}–{low * 10 + 10} % | 0 | – |"
        )
    return rows


def page(each: int, seed: int, workers: int) -> tuple[str, list[str]]:
    """Run everything; return the page of figures, and what went wrong for whoever wants to know."""
    with ProcessPoolExecutor(workers) as pool:
        parts = [pool.submit(single, number, each, seed) for number in range(len(ALL))]
        both = pool.submit(double, 3 * each, seed)
        working = pool.submit(healthy, 5 * each, seed, operated=True)
        resting = pool.submit(healthy, 3 * each, seed + 10_000, operated=False)
        ones = [one for part in parts for one in part.result()]
        twos, well, idle = both.result(), working.result(), resting.result()
    lines = [
        f"{len(ones)} installs with one fault, {len(twos)} with two, {len(well)} healthy, {len(idle)} not operated;",
        f"drawn from seed {seed} on. A cause counts as right when name and place are right.",
        "",
        "| What | Share |",
        "|---|---|",
        *shares(ones, twos, well, idle),
        "",
        "| Probability told | Causes | Of these right |",
        "|---|---|---|",
        *reliability([*ones, *twos, *well, *idle]),
        "",
        "| Fault | Installs | First | First three |",
        "|---|---|---|---|",
        *by_class(ones),
    ]
    missed = [one for one in [*ones, *twos] if not all(one.right(fault, len(one.truth)) for fault in one.truth)]
    alarmed = [one for one in [*well, *idle] if named(one)]
    return "\n".join(lines), [told_wrong(one) for one in [*missed, *alarmed]]


def shares(ones: list[Result], twos: list[Result], well: list[Result], idle: list[Result]) -> list[str]:
    """Return the rows of the main figures."""
    truth = [(one, one.truth[0]) for one in ones]
    first = [one.right(fault, 1) for one, fault in truth]
    three = [one.right(fault, FIRST_THREE) for one, fault in truth]
    rules = [one.by_rules == fault.cause for one, fault in truth]
    frequent = [fault.cause == MOST_FREQUENT for _, fault in truth]
    both = [all(one.right(fault, FIRST_THREE) for fault in one.truth) for one in twos]
    whispers = [max([cause.probability for cause in named(one)], default=0.0) for one in [*well, *idle]]
    return [
        f"| right cause first | {share(first):.1%} |",
        f"| right cause among the first three | {share(three):.1%} |",
        f"| plain rule list, right cause (its place not asked) | {share(rules):.1%} |",
        f"| always the most frequent fault | {share(frequent):.1%} |",
        f"| two faults at once, both among the first three | {share(both):.1%} |",
        f"| healthy installs with a cause above 50 % | {share([alarms(one) for one in well]):.1%} |",
        f"| unoperated installs with a cause above 50 % | {share([alarms(one) for one in idle]):.1%} |",
        f"| highest probability of any cause in these two | {max(whispers, default=0.0):.2f} |",
        f"| Brier score of the first answer | {brier([*ones, *well, *idle]):.3f} |",
    ]


def alarms(one: Result) -> bool:
    """Tell whether a cause is named with more than even odds."""
    return any(cause.probability > 0.5 for cause in named(one))


def by_class(ones: list[Result]) -> list[str]:
    """Return a row for each fault."""
    rows = []
    for name in dict.fromkeys(one.truth[0].cause for one in ones):
        own = [(one, one.truth[0]) for one in ones if one.truth[0].cause == name]
        first = share([one.right(fault, 1) for one, fault in own])
        three = share([one.right(fault, FIRST_THREE) for one, fault in own])
        rows.append(f"| `{name}` | {len(own)} | {first:.0%} | {three:.0%} |")
    return rows


def told_wrong(one: Result) -> str:
    """Return one line about an answer that is not right."""
    truth = "; ".join(
        f"{fault.cause}:{','.join(fault.subject)} ({fault.strength:.2f}) {fault.detail}" for fault in one.truth
    )
    said = ", ".join(f"{each.cause}:{','.join(each.subject)} {each.probability:.2f}" for each in one.causes[:4])
    return f"seed {one.seed}: {truth or 'nothing wrong'} -> {said or 'nothing'}"


def write_page(text: str) -> None:
    """Put the figures between the two markers of figures/causes.md."""
    path = ROOT / "tests" / "benchmark" / "figures" / "causes.md"
    document = path.read_text("utf-8")
    head, _, rest = document.partition(BEGIN)
    _, _, tail = rest.partition(END)
    path.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", "utf-8")


def main() -> None:
    """Run it as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--page", action="store_true")
    parser.add_argument("--workers", type=int, default=1)
    given = parser.parse_args()
    text, wrong = page(given.each, given.seed, given.workers)
    print(text)
    print("\n".join(wrong))
    if given.page:
        write_page(text)


if __name__ == "__main__":
    main()
