"""Benchmark: how often ``canlens compare`` flags healthy pairs, and how often it finds what was planted.

    python -m tests.benchmark.compare_power [--pairs 120] [--planted 105] [--others 20] [--seed 1] [--page]

Buses are drawn by the project's own generator. A healthy pair are two parts of one recording. For a planted pair the
same bus is recorded anew with the jitter of one message one and a half times as large, all else alike; its later part
is held against the earlier part of the healthy one. On steady buses (``steady_buses.py``) the two recordings begin
anew, and beside what was found stands what the best test could find. Other scenarios: ``compare_scenarios.py``.
``--page`` writes the figures into figures/comparison.md.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

import numpy as np

from canlens import compare
from canlens.measures.comparing import rhythm
from tests.benchmark.compare_scenarios import (
    CYCLES_S,
    drifting_clocks,
    episodes,
    ignition_states,
    intervals_by_one_percent,
    parts,
    targets,
    vanished,
    with_message_changed,
)
from tests.benchmark.steady_buses import UNIFORM_KURTOSIS, mean_power, steady_messages, steady_trace
from tests.drawn import draw_bus, draw_plan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.comparison import Comparison
    from canlens.database import Database, Message
    from canlens.trace import Trace

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- figures of the comparison: begin -->", "<!-- figures of the comparison: end -->"
TIMES = 1.5
OUTCOMES = ("found", "told", "missed")
STREAM = 100_000
"""Seeds between two kinds of pairs."""


def compared(before: Trace, after: Trace, database: Database) -> Comparison:
    """Compare as a person would who has the database."""
    with patch.object(rhythm, "NAMED", 10_000):  # name every message that is not compared
        return compare(before, after, database=database)


def healthy(seeds: Sequence[int], seconds: float) -> Counter[str]:
    """Count the kinds of changes told of healthy pairs, and under "" the pairs with any."""
    out: Counter[str] = Counter()
    for seed in seeds:
        two = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        found = compared(*two, draw_plan(seed)[0].database).result.changes
        out.update({each.change for each in found} | ({""} if found else set()))
    return out


def outcome(found: Comparison, message: Message) -> str:
    """Tell whether the jitter was found, named as not compared or how long it takes, or missed."""
    name = f"0x{message.identifier:x}"
    if any(each.change == "jitter" and each.subject[0] == name for each in found.result.changes):
        return "found"
    named = [each.what for each in found.result.not_compared if each.what.startswith("jitter")]
    told = {name for what in named for name in what.partition(" of ")[2].split(", ")}
    return "told" if message.name in told else "missed"


def planted(first_seed: int, number: int, seconds: float) -> Counter[tuple[float, str]]:
    """Count the outcomes by cycle of so many planted pairs."""
    out: Counter[tuple[float, str]] = Counter()
    for seed, message in targets(first_seed, number):
        before, _ = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        with with_message_changed(
            message.identifier, lambda one, habit: (one, replace(habit, jitter_s=TIMES * habit.jitter_s))
        ):
            _, after = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        found = compared(before, after, draw_plan(seed)[0].database)
        out[message.cycle_time_s or 0.0, outcome(found, message)] += 1
    return out


@dataclass(frozen=True)
class SteadyPair:
    """One planted pair of a steady bus: cycle, outcome, frames, messages, and whether anything else was told."""

    cycle_s: float
    outcome: str
    frames: int
    tests: int
    is_bell: bool
    has_others: bool


def steady(seeds: Sequence[int], seconds: float) -> list[SteadyPair]:
    """Plant jitter on steady buses, all cycles in turn."""
    out = []
    for number, seed in enumerate(seeds):
        plan, habits = steady_messages(seed)
        message = plan.database.messages[number % len(CYCLES_S)]
        before = steady_trace(seed, seconds, "before")
        after = steady_trace(seed, seconds, "after", jittery=message.name, times=TIMES)
        found = compared(before, after, plan.database)
        others = [each for each in found.result.changes if each.subject[-1:] != (message.name,)]
        cycle_s = message.cycle_time_s or 0.0
        out.append(
            SteadyPair(
                cycle_s,
                outcome(found, message),
                int(seconds / cycle_s),
                len(plan.database.messages),
                habits[message.name][1],
                bool(others),
            )
        )
    return out


def planted_lines(args: argparse.Namespace) -> list[str]:
    """Measure jitter on drawn buses, and write it as a table."""
    counts = planted(args.seed + STREAM, args.planted, args.seconds)
    found = sum(number for (_, what), number in counts.items() if what == "found")
    return [
        f"Jitter of one message times {TIMES} on drawn buses (load 20 to 80 %): found in {found} of {args.planted}.",
        "",
        "| Cycle | Found | Named as not compared, or how long it takes | Missed |",
        "|---|---|---|---|",
        *(
            f"| {cycle * 1000:.0f} ms | {' | '.join(str(counts[cycle, what]) for what in OUTCOMES)} |"
            for cycle in CYCLES_S
        ),
        "",
    ]


def steady_lines(args: argparse.Namespace) -> list[str]:
    """Measure jitter on steady buses, and write it as a table beside what is possible."""
    pairs = steady(range(args.seed + 2 * STREAM, args.seed + 2 * STREAM + args.planted), args.seconds)
    found = sum(each.outcome == "found" for each in pairs)
    others = sum(each.has_others for each in pairs)
    told = [
        f"The same on steady buses (load 10 to 35 %): found in {found} of {len(pairs)}; others told in {others}.",
        "",
        "| Cycle | Found | Named as not compared, or how long it takes | Missed | F-test, normal | Best, as drawn |",
        "|---|---|---|---|---|---|",
    ]
    for cycle in CYCLES_S:
        own = [each for each in pairs if each.cycle_s == cycle]
        counts = Counter(each.outcome for each in own)
        ideal = _possible(own, None)
        drawn = (_possible([e for e in own if e.is_bell], None), _possible([e for e in own if not e.is_bell], True))
        numbers = [sum(each.is_bell for each in own), sum(not each.is_bell for each in own)]
        mixed = sum(p * n for p, n in zip(drawn, numbers, strict=True) if n) / max(len(own), 1)
        cells = [*(str(counts[what]) for what in OUTCOMES), f"{ideal:.0%}", f"{mixed:.0%}"]
        told.append(f"| {cycle * 1000:.0f} ms | {' | '.join(cells)} |")
    return [*told, ""]


def _possible(pairs: Sequence[SteadyPair], is_flat: bool | None) -> float:  # noqa: FBT001 – one column or the other
    frames, tests = (np.array([getattr(each, name) for each in pairs]) for name in ("frames", "tests"))
    kurtosis = UNIFORM_KURTOSIS if is_flat else None
    return mean_power(frames, tests, level=rhythm.JITTER_LEVEL, ratio=TIMES, kurtosis=kurtosis)


def lines(args: argparse.Namespace) -> list[str]:
    """Measure everything, and write the figures as text."""
    flagged = healthy(range(args.seed, args.seed + args.pairs), args.seconds)
    kinds = ", ".join(f"{kind} {number}" for kind, number in sorted(flagged.items()) if kind) or "none"
    told = [f"Healthy pairs flagged: {flagged['']} of {args.pairs} (by kind of change: {kinds}).", ""]
    if args.planted:
        told += [*planted_lines(args), *steady_lines(args)]
    if args.others:
        first = args.seed + 3 * STREAM
        seeds = range(first, first + args.others)
        told += [
            f"- {intervals_by_one_percent(first, 3 * args.others, args.seconds)}",
            f"- {drifting_clocks(range(first, first + 2 * args.others), args.seconds)}",
            *(f"- {each(seeds, args.seconds)}" for each in (ignition_states, vanished, episodes)),
        ]
    return told


def write_page(text: str) -> None:
    """Put the figures between their marks in figures/comparison.md."""
    page = ROOT / "tests" / "benchmark" / "figures" / "comparison.md"
    whole = page.read_text(encoding="utf-8")
    head, tail = whole.split(BEGIN)[0], whole.split(END)[1]
    page.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=120)
    parser.add_argument("--planted", type=int, default=105)
    parser.add_argument("--others", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=65.0)
    parser.add_argument("--page", action="store_true")
    given = parser.parse_args()
    start = time.process_time()
    report = "\n".join(lines(given))
    print(report)
    print(f"{time.process_time() - start:.0f} s of processor time")
    if given.page:
        starts = ", ".join(str(given.seed + number * STREAM) for number in range(4))
        write_page(f"Pairs of 2 x {given.seconds:.0f} s. Seeds from {starts} on.\n\n{report}")
