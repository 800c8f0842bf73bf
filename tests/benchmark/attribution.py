"""Print how often the errors are put down to the right one, over several hundred recordings with a known fault.

``python tests/benchmark/attribution.py [SEEDS] [FIRST_SEED]``

Two makers of errors: a small bus written from the specification alone, with a wanted number of episodes; and the
rehearsal's whole buses, with a strength that is drawn. *Right* and *wrong* count named suspects; *told* counts
the cases in which the truth is among the kinds that remain and, of one sender, an output and the whole bus, no other
one is.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from canlens.measures.errors.attribution import attribute
from tests.broken_bus import broken_bus
from tests.drawn import draw_bus

if TYPE_CHECKING:
    from canlens.nouns.bus import Attribution

KINDS = {
    "terminator-missing": "whole-bus",
    "bad-sender": "bad-sender",
    "interference-from-output": "interference",
    "bad-receiver": "bad-receiver",
    "node-intermittent": "loose-contact",
}
TOLD_APART = {"whole-bus", "bad-sender", "interference"}
DURATION_S = 45.0
BINS = (0, 5, 10, 40, 80, 10**9)
WANTED = (10, 40, 80)
ENOUGH = 40

Row = tuple[int, bool, bool, bool]


def judged(found: Attribution | None, kind: str, subject: str) -> Row:
    """Return episodes, right, wrong and told."""
    if found is None:
        return 0, False, False, False
    right = found.answer is not None and (found.answer.kind, found.answer.subject) == (kind, subject)
    told = kind in found.narrowed and not (TOLD_APART - {kind}) & set(found.narrowed)
    return found.episodes, right, found.answer is not None and not right, told


def small(kind: str, seed: int, episodes: int) -> Row:
    """Judge one small bus."""
    one = broken_bus(kind, seed, episodes=episodes)
    found = attribute(one.trace, senders=one.senders, outputs_on=one.outputs_on)
    return judged(found, kind, one.subject)


def whole(fault: str, seed: int) -> Row:
    """Judge one rehearsed bus, of which only the database's senders are known."""
    one = draw_bus(seed, DURATION_S, fault=fault)
    shift_s = (one.start_ns - one.trace.start_ns) / 1e9
    outputs_on = {name: np.array(spans).reshape(-1, 2) + shift_s for name, spans in one.output_spans.items()}
    senders = {(each.identifier, each.is_extended): each.senders[0] for each in one.plan.database.messages}
    found = attribute(one.trace, senders=senders, outputs_on=outputs_on, bit_rate=one.plan.bus.bit_rate)
    subject = one.truth.faults[0].subject
    return judged(found, KINDS[fault], subject[0] if subject else "")


def show(title: str, rows: list[Row]) -> None:
    """Print one line of the table."""
    number, right, wrong, told = len(rows), *(sum(row[place] for row in rows) for place in (1, 2, 3))
    answered = right + wrong
    share = f"{100 * wrong / answered:5.1f} %" if answered else "      –"
    print(f"{title:44s}{number:6d}{100 * right / number:8.1f} %{share:>10s}{100 * told / number:8.1f} %", flush=True)


def main() -> None:
    """Print both tables."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 90_000
    began = time.perf_counter()
    print(f"{'fault, episodes':44s}{'cases':>6s}{'right':>10s}{'wrong*':>10s}{'told':>10s}   * of those answered")
    every: list[Row] = []
    for kind in KINDS.values():
        for episodes in WANTED:
            rows = [small(kind, first + seed, episodes) for seed in range(seeds)]
            every += rows
            show(f"small bus, {kind}, about {episodes}", rows)
    by_bin: dict[tuple[str, int], list[Row]] = defaultdict(list)
    for fault in KINDS:
        for seed in range(2 * seeds):
            row = whole(fault, first + seed)
            every.append(row)
            by_bin[fault, int(np.searchsorted(BINS, row[0], "right"))].append(row)
    for (fault, place), rows in sorted(by_bin.items()):
        upper = f"to {BINS[place] - 1}" if place < len(BINS) - 1 else "and more"
        show(f"rehearsed, {fault}, {BINS[place - 1]} {upper}", rows)
    show("all", every)
    kinds = [rows for (fault, at), rows in by_bin.items() if KINDS[fault] in TOLD_APART and BINS[at - 1] >= ENOUGH]
    enough = [row for rows in kinds for row in rows]
    if enough:
        show("rehearsed sender, output, whole bus, 40 and more", enough)
    print(f"{len(every)} recordings in {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
