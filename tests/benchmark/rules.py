"""Benchmark: which rule outputs were seen following, on installs with a known answer.

    python tests/benchmark/rules.py [INSTALLS] [FIRST_SEED]

Installs are drawn and recorded, a third of them healthy, a third with two outputs exchanged, a third with an output
that follows another control. Of each output the rule that was named first is held against the true one: *right* is the
same rule; *alike* one that the recording does not tell from it; *among*: the true one was listed as fitting as well;
*missed*: none was named; *false*: the recording tells the named one from the true one. Outputs whose rule came on less
than twice are left out.

Then every output is given the answers that its rule asks for, one in twenty of them missing; and it is exchanged for
one that knows nothing of the controls – edges at random, in bursts, few and slow, or blinking steadily, each also only
while the vehicle is awake. Every rule named for those is a false mapping.
"""

from __future__ import annotations

import sys
import time
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.errors import UsageError
from canlens.measures.gathering import evidence as gather
from canlens.measures.outputs.rules_seen import seen_rules
from canlens.measures.outputs.tracks import rule_track
from canlens.measures.outputs.whole import told_apart
from canlens.nouns.outputs import Track
from canlens.plan import parse_rule
from canlens.plan.rule import OFF, ON
from tests.drawn import draw_install

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Scene, SeenRules
    from canlens.plan import Rule
    from canlens.signals import Floats
    from tests.drawn import DrawnInstall

FAULTS = (None, "outputs-swapped", "output-follows-other-control")
FEWEST = 2
MISSING = 0.05
KINDS = ("random", "bursts", "slow", "blinking", "random awake", "bursts awake", "slow awake", "blinking awake")
OUTCOMES = ("right", "alike", "among", "missed", "false")


def drawn(seed: int) -> DrawnInstall:
    """Draw an install with the fault whose turn it is, healthy where its plan has nothing that it could concern."""
    try:
        return draw_install(seed, fault=FAULTS[seed % len(FAULTS)])
    except UsageError:
        return draw_install(seed)


def outcome(scene: Scene, rules: tuple[Rule, ...], true: str) -> str:
    """Hold the rules that were named against the true one."""
    if not rules:
        return "missed"
    first, *others = rules
    wanted = parse_rule(true, tuple(scene.controls))
    if first.same_as(wanted):
        return "right"
    if any(each.same_as(wanted) for each in others):
        return "among"
    slack_s = scene.output.slack_s if scene.output is not None else 1.0
    tracks = (rule_track(each, scene.controls) for each in (first, wanted))
    return "false" if told_apart(*tracks, longer_than_s=scene.within_s + slack_s) else "alike"


def unrelated(scene: Scene, kind: str, draws: np.random.Generator) -> Scene | None:
    """Return the scene with an output that knows nothing of the controls; None where the vehicle was never awake."""
    assert scene.output is not None
    start_s, end_s = float(scene.output.rows_s[0]), scene.output.end_s
    edge_s = np.concatenate(list(_edges(kind.split(maxsplit=1)[0], end_s - start_s, draws))) + start_s
    awake = scene.controls.get(scene.awake_while or "")
    if kind.endswith("awake"):
        if awake is None or not (awake.state == ON).any():
            return None
        inside = awake.at(edge_s) == ON
        edge_s = edge_s[inside]
    return replace(scene, output=_shown(scene.output, np.unique(edge_s)))


def _edges(kind: str, length_s: float, draws: np.random.Generator) -> Iterator[Floats]:
    """Yield times at which an unrelated output changes [s]."""
    if kind == "blinking":
        yield np.arange(draws.uniform(0.0, 2.0), length_s, draws.choice([0.5, 1.0, 2.0, 4.0]))
    elif kind == "bursts":
        for start_s in draws.uniform(0.0, length_s, draws.integers(2, 8)):
            yield start_s + np.cumsum(draws.uniform(0.3, 1.5, draws.integers(2, 12)))
    else:
        yield draws.uniform(0.0, length_s, draws.integers(4, 40) if kind == "random" else draws.integers(2, 6))


def _shown(output: Track, edge_s: Floats) -> Track:
    """Return what the rows of an output's message show of edges at these times, off before the first."""
    state = (np.searchsorted(edge_s, output.rows_s, "right") % 2).astype(np.int8)
    step = np.append(0, np.flatnonzero(np.diff(state)) + 1)
    before_s = np.append(-np.inf, output.rows_s[step[1:] - 1])
    time_s = output.rows_s[step]
    return Track(time_s, state[step], step + 1, before_s, output.end_s, output.rows_s, output.slack_s, before_s)


def with_misses(scene: Scene, draws: np.random.Generator) -> Scene | None:
    """Return the scene with an output that does what its own rule says but for one exercise in twenty."""
    assert scene.output is not None
    rule = rule_track(scene.own, scene.controls)
    stop_s = np.append(rule.time_s[1:], rule.end_s)[rule.rises]
    spans = [
        (begin_s + 0.02, end_s + 0.02)
        for begin_s, end_s in zip(rule.time_s[rule.rises], stop_s, strict=True)
        if draws.random() >= MISSING and end_s - begin_s > scene.within_s + scene.output.slack_s
    ]
    if scene.stays_s or len(spans) < FEWEST or (len(rule.state) and rule.state[0] != OFF):
        return None
    return replace(scene, output=_shown(scene.output, np.array(spans).ravel()))


@dataclass
class Tally:
    """What came out, by class; and the installs to look at."""

    rules: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    unrelated: dict[str, Counter[str]] = field(default_factory=lambda: {kind: Counter() for kind in KINDS})
    odd: list[str] = field(default_factory=list)
    spent_s: list[float] = field(default_factory=list)

    def count(self, install: str, scene: Scene, true: str, draws: np.random.Generator, found: SeenRules) -> None:
        """Count one output: as it was recorded, with answers missing, and exchanged for one that knows nothing."""
        names = tuple(scene.controls)
        if len(rule_track(parse_rule(true, names), scene.controls).rises) >= FEWEST:
            self._hold(install, f"{_size(parse_rule(true, names))}", scene, found, true)
        lossy = with_misses(scene, draws)
        if lossy is not None:
            seen, planned = seen_rules((lossy,)), str(scene.own)
            self._hold(install, f"{_size(scene.own)}, one answer in twenty missing", lossy, seen, planned)
        for kind in KINDS:
            strange = unrelated(scene, kind, draws)
            if strange is None:
                continue
            began_s = time.perf_counter()
            seen = seen_rules((strange,))
            self.spent_s.append(time.perf_counter() - began_s)
            self.unrelated[kind]["false" if seen.rules else "none"] += 1
            if seen.rules:
                self.odd.append(f"{install} | {kind} | {seen.rules[0]} | {seen.explained} of {seen.exercises}")

    def _hold(self, install: str, size: str, scene: Scene, found: SeenRules, true: str) -> None:
        result = outcome(scene, found.rules, true)
        self.rules[size][result] += 1
        if result in {"missed", "false"}:
            named = [str(rule) for rule in found.rules[:1]]
            self.odd.append(f"{install} | {size} | {result} | true {true} | named {named} | plan {scene.own}")

    def show(self) -> None:
        """Print the tables."""
        print(f"{'':48s}" + "".join(f"{each:>9s}" for each in OUTCOMES))
        for size, counts in sorted(self.rules.items()):
            print(f"{size:48s}" + "".join(f"{counts[each]:9d}" for each in OUTCOMES))
        print("rules named for outputs that know nothing of the controls:")
        for kind, counts in self.unrelated.items():
            print(f"  {kind:18s} {counts['false']:4d} of {counts.total()}")
        print(f"{1000 * float(np.median(self.spent_s)):.1f} ms for an output (median)")
        print(*self.odd, sep="\n")


def _size(rule: Rule) -> str:
    return f"{len(rule.controls)} control{'s' if len(rule.controls) > 1 else ''}"


def main(installs: int = 60, first: int = 5000) -> None:
    """Draw, judge, and print the tables."""
    tally = Tally()
    for seed in range(first, first + installs):
        install, draws = drawn(seed), np.random.default_rng(seed)
        evidence = gather(install.plan, install.rehearsal.trace, observed=install.rehearsal.observed)
        for name, own in evidence.outputs.items():
            true = install.rehearsal.truth.rules[name]
            if own.track is not None and true not in {"always", "never"}:
                tally.count(f"{seed} {name}", own.scenes[0], true, draws, own.seen)
    tally.show()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
