"""How well the bit of a control is found: drawn sessions with planted bits, and sessions with nothing to find.

::

    python -m tests.benchmark.discovery [--each 20] [--nulls 20] [--seed 1] [--page]
    python -m tests.benchmark.discovery --speed

Printed are, for each kind of session, how often the planted place (or its mirror) comes first and among the first
three, how often it is named, and how often something is named wrongly; beside two baselines on the same sessions: the
bits that changed near every exercise, and Fisher's test over single frames. ``--page`` writes the figures into
figures/discovery.md. What was planted is looked at only after the answer. ``--speed`` searches a session of six
controls on a hundred identifiers, about a million frames, and reads the payloads of the same frames in a plain loop
beside it.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import hypergeom

from canlens.discovery import discover
from canlens.plan.nouns import REST
from tests.benchmark.drawn_sessions import Kind, Session, Spot, draw_rehearsed, draw_session

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canlens.results.discover import ControlDiscovery, FoundPlace
    from canlens.signals import Floats
    from canlens.trace import Bytes, Trace

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- figures of the discovery: begin -->", "<!-- figures of the discovery: end -->"
FIRST_THREE = 3
MILLION = 1_000_000
NAMED_AT = 0.01
NEAR_S = 0.6
"""The baselines look for changes so long after a mark, and as long before as marks may lie off."""

Place = tuple[int, bool, int]
"""Identifier, whether it is extended, DBC bit number."""


@dataclass(frozen=True)
class Case:
    """One kind of session."""

    name: str
    kind: Kind
    draw: Callable[[int, Kind], Session] = draw_session


CASES = (
    Case("marks ticked at once (± 0.15 s)", Kind()),
    Case("marks noted by hand (± 2 s)", Kind(jitter_s=2.0)),
    Case("by hand, clocks differ by up to 3 s", Kind(jitter_s=2.0, offset_s=3.0)),
    Case("ticked, clocks differ by up to 15 s", Kind(jitter_s=0.3, offset_s=15.0)),
    Case("four controls in one session (± 1 s)", Kind(controls=4, jitter_s=1.0)),
    Case("on the bus of a rehearsed install (± 1 s)", Kind(jitter_s=1.0), draw_rehearsed),
    Case("no slot left alone, two controls", Kind(controls=2, rests=0)),
)
NULLS = (
    Case("nothing planted, ticked", Kind(planted=False)),
    Case("nothing planted, three controls by hand", Kind(planted=False, controls=3, jitter_s=2.0)),
    Case("nothing planted, rehearsed bus", Kind(planted=False, jitter_s=1.0), draw_rehearsed),
    Case("nothing planted, no slot left alone", Kind(planted=False, controls=2, rests=0)),
)


@dataclass
class Score:
    """What came out for one kind of session, by one method."""

    controls: int = 0
    first: float = 0.0
    three: float = 0.0
    named: int = 0
    sessions: int = 0
    wrong: int = 0

    def add(self, ranks: Iterable[float], named: Iterable[bool], *, wrong: bool) -> None:
        """Count one session: the rank of each control's place, whether it was named, and whether one was wrongly."""
        for rank, is_named in zip(ranks, named, strict=True):
            self.controls += 1
            self.first += rank <= 1
            self.three += rank <= FIRST_THREE
            self.named += is_named
        self.sessions += 1
        self.wrong += wrong


@dataclass
class Figures:
    """Of every kind of session and every method."""

    seed: int
    scores: dict[str, dict[str, Score]] = field(default_factory=dict)
    seconds: float = 0.0
    frames: int = 0

    def score(self, case: Case, method: str) -> Score:
        """Return where a session is counted."""
        return self.scores.setdefault(case.name, {}).setdefault(method, Score())


def run(each: int, nulls: int, seed: int) -> Figures:
    """Draw sessions of every kind, search them and count."""
    figures = Figures(seed)
    for case in (*CASES, *NULLS):
        for number in range(each if case in CASES else nulls):
            session = case.draw(seed + number, case.kind)
            _one(figures, case, session)
        print(case.name, {name: vars(one) for name, one in figures.scores[case.name].items()}, flush=True)
    return figures


def _one(figures: Figures, case: Case, session: Session) -> None:
    """Put one session to every method."""
    begun = time.process_time()
    found = discover(session.trace, session.marks).result
    figures.seconds += time.process_time() - begun
    figures.frames += len(session.trace)
    ranks = {name: rank_of(row, session.truth[name]) for name, row in found.controls.items()}
    wrong = any(row.named and ranks[name] > 1 for name, row in found.controls.items())
    figures.score(case, "canlens").add(ranks.values(), (row.named for row in found.controls.values()), wrong=wrong)
    bus = heard(session.trace)
    for method, judge in METHODS:
        told = {name: judge(session, case.kind, name, bus) for name in found.controls}
        places = [_expected_rank(scores, session.truth[name]) for name, (scores, _) in told.items()]
        named = [bool(hits) for _, hits in told.values()]
        wrong = any(hits - _places(session.truth[name]) for name, (_, hits) in told.items())
        figures.score(case, method).add(places, named, wrong=wrong)


def _places(truth: list[Spot]) -> set[Place]:
    """Return the bits that count as right."""
    return {
        (spot.identifier, spot.is_extended, bit)
        for spot in truth
        for bit in range(spot.start_bit, spot.start_bit + spot.length)
    }


def rank_of(row: ControlDiscovery, truth: list[Spot]) -> float:
    """Return the place of the first right candidate, or one of whose mirrors is right; infinite if none is."""
    right = _places(truth)

    def is_right(candidate: FoundPlace) -> bool:
        every = (candidate, *candidate.mirrors)
        return any((int(each.identifier, 16), each.is_extended, each.start_bit) in right for each in every)

    return next((number for number, each in enumerate(row.candidates, 1) if is_right(each)), np.inf)


def _expected_rank(scores: dict[Place, float], truth: list[Spot]) -> float:
    """Return the rank of the best right bit; ties with wrong ones count against it by half."""
    right = _places(truth)
    best = max((scores[place] for place in right if place in scores), default=-np.inf)
    wrong = np.array([score for place, score in scores.items() if place not in right])
    if not np.isfinite(best):
        return np.inf
    return float(1 + (wrong > best).sum() + (wrong == best).sum() / 2)


@dataclass(frozen=True)
class Heard:
    """The changing bits of one message: times of its frames [s], bits of each frame, and their DBC numbers."""

    identifier: int
    is_extended: bool
    time_s: Floats
    bits: Bytes
    numbers: list[int]

    def place(self, column: int) -> Place:
        """Return the place of a column."""
        return self.identifier, self.is_extended, self.numbers[column]


def heard(trace: Trace) -> list[Heard]:
    """Return the changing bits of every message."""
    key = trace.identifier.astype(np.int64) * 2 + trace.is_extended
    order = np.argsort(key, kind="stable")
    out = []
    for rows in np.split(order, np.flatnonzero(np.diff(key[order])) + 1):
        bits = np.unpackbits(trace.payload.first8[rows], axis=1, bitorder="little")
        kept = np.flatnonzero((bits != bits[0]).any(axis=0))
        one = rows[0]
        out.append(
            Heard(
                int(trace.identifier[one]),
                bool(trace.is_extended[one]),
                trace.time_s[rows],
                bits[:, kept],
                kept.tolist(),
            )
        )
    return out


def _set_rule(session: Session, kind: Kind, control: str, bus: list[Heard]) -> tuple[dict[Place, float], set[Place]]:
    """Score each bit by the exercises near whose start it changed; it is named if it changed near all."""
    starts = _starts(session, control)
    scores = _near(bus, kind, starts)
    return scores, {place for place, score in scores.items() if score == len(starts)}


def _quiet_rule(session: Session, kind: Kind, control: str, bus: list[Heard]) -> tuple[dict[Place, float], set[Place]]:
    """Score as the set rule, less the slots left alone in which it changed; it is named if it changed in none."""
    starts, rests = _starts(session, control), _starts(session, REST)
    score, strays = _near(bus, kind, starts), _near(bus, kind, rests)
    named = {place for place, own in score.items() if own == len(starts) and not strays[place]}
    return {place: own - strays[place] for place, own in score.items()}, named if len(rests) else set()


def _near(bus: list[Heard], kind: Kind, starts: Floats) -> dict[Place, float]:
    """Count for each bit that changes the times near which it changed."""
    counts: dict[Place, float] = {}
    for message in bus:
        for column in range(len(message.numbers)):
            bit = message.bits[:, column]
            changes = message.time_s[1:][bit[1:] != bit[:-1]]
            last = np.searchsorted(changes, starts + NEAR_S + kind.jitter_s, "right")
            near = last > np.searchsorted(changes, starts - kind.jitter_s)
            counts[message.place(column)] = float(near.sum())
    return counts


def _by_frames(session: Session, kind: Kind, control: str, bus: list[Heard]) -> tuple[dict[Place, float], set[Place]]:
    """Score each bit by Fisher's exact test of its value in the frames while the control was held, and in others."""
    del kind
    starts, ends = _starts(session, control), _starts(session, control, end=True)
    scores: dict[Place, float] = {}
    for message in bus:
        begun = np.searchsorted(starts, message.time_s, "right")
        held = (begun > 0) & (message.time_s <= ends[np.maximum(begun - 1, 0)])
        ones, inside = (bits.sum(axis=0, dtype=np.int64) for bits in (message.bits, message.bits[held]))
        total, operated = len(message.time_s), int(held.sum())
        high = hypergeom.logsf(inside - 1, total, ones, operated)
        low = hypergeom.logsf(operated - inside - 1, total, total - ones, operated)
        for column, log in enumerate(np.minimum(high, low).tolist()):
            scores[message.place(column)] = -log
    limit = -np.log(NAMED_AT / max(len(scores), 1))
    return scores, {place for place, score in scores.items() if score >= limit}


METHODS = (
    ("set rule", _set_rule),
    ("set rule, still in rest slots", _quiet_rule),
    ("Fisher by frames", _by_frames),
)


def _starts(session: Session, label: str, *, end: bool = False) -> Floats:
    """Return when a control was operated, or slots left alone, as marked, in seconds from the first frame."""
    marks = [mark for mark in session.marks if mark.label == label]
    written = np.array([mark.until_s if end and mark.until_s is not None else mark.time_s for mark in marks])
    start_s = session.trace.start_ns / 1e9
    return np.asarray(written - start_s if len(written) and written.mean() > start_s / 2 else written)


def table(figures: Figures) -> str:
    """Return the figures as a table in Markdown."""
    each_us = figures.seconds * 1e6 / max(figures.frames, 1)
    lines = [
        f"Drawn from seed {figures.seed} on: {figures.frames / 1e6:.0f} million frames, {each_us:.1f} µs a frame.",
        "",
        "| Sessions with planted bits | Method | Controls | First | First three | Named | Sessions with a wrong name |",
        "|---|---|---|---|---|---|---|",
    ]
    for case in CASES:
        for method, score in figures.scores[case.name].items():
            n = max(score.controls, 1)
            lines.append(
                f"| {case.name} | {method} | {score.controls} | {score.first / n:.1%} | {score.three / n:.1%} "
                f"| {score.named / n:.1%} | {score.wrong / max(score.sessions, 1):.1%} |"
            )
    lines += ["", "| Sessions with nothing to find | Method | Sessions | Something named |", "|---|---|---|---|"]
    for case in NULLS:
        for method, score in figures.scores[case.name].items():
            lines.append(f"| {case.name} | {method} | {score.sessions} | {score.wrong / max(score.sessions, 1):.1%} |")
    return "\n".join(lines)


def speed(seed: int) -> str:
    """Search a long session, and walk through its frames in a loop."""
    kind = Kind(controls=6, rests=24, identifiers=(100, 100), fastest=0)
    trace, marks = (session := draw_session(seed, kind)).trace, session.marks
    keep = np.arange(len(trace)) < MILLION
    trace = trace.where(keep)
    begun, began = time.perf_counter(), time.process_time()
    found = discover(trace, marks).result
    wall_s, used_s = time.perf_counter() - begun, time.process_time() - began
    begun = time.perf_counter()
    last: dict[int, bytes] = {}
    changed = 0
    for identifier, payload in zip(trace.identifier.tolist(), trace.payload, strict=True):
        changed += last.get(identifier) != payload
        last[identifier] = payload
    loop_s = time.perf_counter() - begun
    return (
        f"{len(trace)} frames, {len(np.unique(trace.identifier))} identifiers, {len(found.controls)} controls, "
        f"{found.bits_changing} bits that change: {wall_s:.2f} s, {used_s:.2f} s of processor time.\n"
        f"A loop that only compares each payload with the one before: {loop_s:.2f} s ({changed} changes)."
    )


def write_page(text: str) -> None:
    """Put the figures into figures/discovery.md, between their marks."""
    path = ROOT / "tests" / "benchmark" / "figures" / "discovery.md"
    head, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    _, _, tail = rest.partition(END)
    path.write_text(f"{head}{BEGIN}\n{text}\n{END}{tail}", encoding="utf-8")


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=20, help="sessions of each kind")
    parser.add_argument("--nulls", type=int, default=20, help="sessions of each kind with nothing to find")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", action="store_true", help="measure a long session and nothing else")
    parser.add_argument("--page", action="store_true", help="write the figures into figures/discovery.md")
    asked = parser.parse_args()
    if asked.speed:
        print(speed(asked.seed))
        return
    text = table(run(asked.each, asked.nulls, asked.seed))
    print(text)
    if asked.page:
        write_page(text)


if __name__ == "__main__":
    main()
