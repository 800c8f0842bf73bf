"""Benchmark: how often ``canlens compare`` flags healthy pairs, and how often it finds jitter that grew by half.

    python -m tests.benchmark.compare_power [--pairs 120] [--planted 100] [--seed 1] [--seconds 65] [--page]

Buses are drawn by the project's own generator. A healthy pair are two parts of one recording. For a planted pair the
same bus is recorded anew with the jitter of one message one and a half times as large, all else alike; its later part
is held against the earlier part of the healthy one. ``--page`` writes the figures into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

from canlens import compare
from canlens.measures.comparing import jitter
from canlens.rehearsal import batches
from canlens.rehearsal.drawing import draw_bus, draw_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import Any

    from canlens.comparison import Comparison
    from canlens.database import Message
    from canlens.trace import Trace

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- figures of the comparison: begin -->", "<!-- figures of the comparison: end -->"
TIMES = 1.5
CYCLES_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)


def parts(trace: Trace, seconds: float) -> tuple[Trace, Trace]:
    """Cut a recording in two of equal length."""
    return trace.between(0, seconds), trace.between(seconds, 2 * seconds)


def restless(identifier: int) -> Callable[..., Any]:
    """Return the generator's own times of sending, but with more jitter of one identifier."""
    usual = batches._ready  # habits belong to nodes; here one message of a node is to differ

    def ready(message: Message, changes_s: Any, awake: Any, habit: Any, draws: Any) -> Any:
        if message.identifier == identifier:
            habit = replace(habit, jitter_s=TIMES * habit.jitter_s)
        return usual(message, changes_s, awake, habit, draws)

    return ready


def compared(before: Trace, after: Trace, seed: int) -> Comparison:
    """Compare as a person would who has the database."""
    with patch.object(jitter, "NAMED", 10_000):  # name every message that is not compared
        return compare(before, after, database=draw_plan(seed)[0].database)


def healthy(seeds: Sequence[int], seconds: float) -> Counter[str]:
    """Count the kinds of changes told of healthy pairs, and under "" the pairs with any."""
    out: Counter[str] = Counter()
    for seed in seeds:
        found = compared(*parts(draw_bus(seed, 2 * seconds).trace, seconds), seed).result.changes
        out.update({each.change for each in found} | ({""} if found else set()))
    return out


def target(seed: int, number: int) -> Message | None:
    """Choose the message that will jitter: one with a cycle of the number-th kind; None where the bus has none."""
    wanted = CYCLES_S[number % len(CYCLES_S)]
    messages = draw_plan(seed)[0].database.messages
    return next((each for each in messages if each.cycle_time_s == wanted), None)


def outcome(found: Comparison, message: Message) -> str:
    """Tell whether the jitter was found, named as not compared, or missed."""
    name = f"0x{message.identifier:x}"
    if any(each.change == "jitter" and each.subject[0] == name for each in found.result.changes):
        return "found"
    named = [each.what for each in found.result.not_compared if each.what.startswith("jitter")]
    told = {name for what in named for name in what.partition(" of ")[2].split(", ")}
    return "told" if message.name in told else "missed"


def planted(first_seed: int, number: int, seconds: float) -> Counter[tuple[float, str]]:
    """Count the outcomes by cycle of so many planted pairs."""
    out: Counter[tuple[float, str]] = Counter()
    seed = first_seed
    while sum(out.values()) < number:
        message = target(seed, sum(out.values()))
        if message is not None:
            before, _ = parts(draw_bus(seed, 2 * seconds).trace, seconds)
            with patch.object(batches, "_ready", restless(message.identifier)):
                _, after = parts(draw_bus(seed, 2 * seconds).trace, seconds)
            out[message.cycle_time_s or 0.0, outcome(compared(before, after, seed), message)] += 1
        seed += 1
    return out


def lines(args: argparse.Namespace) -> list[str]:
    """Measure, and write the figures as a table."""
    flagged = healthy(range(args.seed, args.seed + args.pairs), args.seconds)
    kinds = ", ".join(f"{kind} {number}" for kind, number in sorted(flagged.items()) if kind) or "none"
    told = [f"Healthy pairs flagged: {flagged['']} of {args.pairs} (by kind of change: {kinds})."] if args.pairs else []
    counts = planted(args.seed + 100_000, args.planted, args.seconds)
    every = sum(counts.values())
    all_found = sum(number for (_, what), number in counts.items() if what == "found")
    told += [
        f"Jitter of one message times {TIMES}: found in {all_found} of {every} pairs of 2 x {args.seconds:.0f} s.",
        "",
        "| cycle | found | named as not compared | missed |",
        "|---|---|---|---|",
    ]
    for cycle in sorted({cycle for cycle, _ in counts}):
        row = [str(counts[cycle, what]) for what in ("found", "told", "missed")]
        told.append(f"| {cycle * 1000:.0f} ms | {' | '.join(row)} |")
    return told


def write_page(text: str) -> None:
    """Put the figures between their marks in DEVELOPERS.md."""
    page = ROOT / "DEVELOPERS.md"
    whole = page.read_text(encoding="utf-8")
    head, tail = whole.split(BEGIN)[0], whole.split(END)[1]
    page.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--pairs", type=int, default=120)
    parser.add_argument("--planted", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=65.0)
    parser.add_argument("--page", action="store_true")
    given = parser.parse_args()
    start = time.process_time()
    report = "\n".join(lines(given))
    print(report)
    print(f"{time.process_time() - start:.0f} s of processor time")
    if given.page:
        write_page(f"Seeds {given.seed} and {given.seed + 100_000} on.\n\n{report}")
