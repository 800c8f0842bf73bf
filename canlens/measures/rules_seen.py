"""Rules seen: the smallest rules that explain what an output did, and how much of it they explain."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import chain, combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.minimising import MOST_RULES, smallest_rules
from canlens.measures.moments import Moments
from canlens.measures.trying import (
    ALIKE_S,
    ALIKE_SHARE,
    FEWEST_EDGES,
    MISSED,
    Tried,
    toggles,
    tried_rule,
)
from canlens.plan.rule import OFF, ON, Rule, parse_rule
from canlens.rule_evidence import SeenRules

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from canlens.rule_evidence import Scene
    from canlens.trace import Ints

MOST_CONTROLS = 8
"""Controls among which rules are looked for: those that say most of the output by themselves."""
MOST_IN_RULE = 4
"""Controls of one rule: more than three are hardly ever combined (D. R. Kuhn and others, "Software Fault Interactions
and Implications for Software Testing", IEEE TSE 30 (2004))."""
CONTRADICTION = math.log((1 - MISSED) / MISSED)
"""What one contradicted moment speaks against a rule, in nats."""
MOST_CONTRADICTED = 0.25
"""A rule is not named where more stretches contradict it than this share of the rarer state, and than it misses
exercises: then it is wrong about when the output goes off."""
EVEN_CHANCE = 0.5
"""A rule that is not the output's own is named only where coincidence is the less likely explanation."""
SMALL_CHANCE = 0.05
"""The same where it leaves some exercises unexplained (the usual level of a test)."""


class Candidate(NamedTuple):
    """A rule, the moments that contradict it, what its wording costs in nats, how often it names a control."""

    rule: Rule
    contradicted: int
    cost: float
    literals: int
    is_planned: bool = False

    @property
    def score(self) -> float:
        """What speaks against it, in nats."""
        return self.contradicted * CONTRADICTION + self.cost


def seen_rules(scenes: Sequence[Scene]) -> SeenRules:
    """Find the smallest rules that explain what an output did.

    The settings of the controls that were seen, and the output's state in them, are minimised exactly; settings never
    seen may go either way, so several rules may come out. Rules of the plan count as one that is no longer than a
    single control. The rules are then put to the exercises, simplest first, and those that explain them equally well
    are returned. A run-on that nobody planned is measured, and the rules are looked for again with it. Where none
    explains them, a control is looked for that turns the output on by one exercise and off by the next.

    Parameters
    ----------
    scenes
        One for each recording of the job; none, or none that shows the output: no rules.
    """
    shown = [scene for scene in scenes if scene.output is not None or scene.observed]
    if not shown:
        return SeenRules()
    first = _explaining(shown)
    if first.run_on_s is None or first.explained == first.exercises:
        return first
    stays_s = first.run_on_s + max(ALIKE_S, ALIKE_SHARE * first.run_on_s)
    again = _explaining([replace(scene, stays_s=stays_s) for scene in shown])
    better = again.explained * first.exercises > first.explained * again.exercises
    return again if better else first


def _explaining(shown: Sequence[Scene]) -> SeenRules:
    """Find the smallest rules, the run-on being what the scenes say."""
    own, planned = shown[0].own, shown[0].planned
    moments = Moments.of(shown)
    untested = _untested(moments, own.controls)
    pool = _candidates(moments, own, planned)
    fits = _fitting(pool, own, shown, moments)
    if not fits:
        return replace(_latching(shown, moments), untested=untested)
    best, tried = fits[0]
    return SeenRules(
        rules=tuple(str(each.rule) for each, _ in fits[: MOST_RULES + 1]),
        explained=tried.explained,
        exercises=tried.exercises,
        latency_s=tried.latency_s,
        run_on_s=tried.run_on_s(),
        cut_off_s=tried.cut_off_s(),
        coincidence=tried.chance(_as_many(best, len(moments.moving()))),
        untested=_untested(moments, (*own.controls, *best.rule.controls)),
    )


def _fitting(
    pool: Iterable[Candidate], own: Rule, scenes: Sequence[Scene], moments: Moments
) -> list[tuple[Candidate, Tried]]:
    """Return the candidates that explain the exercises equally well, the output's own rule first, then the shortest.

    The own rule needs no better rival where it explains every exercise, unless it is wrong about when the output goes
    off and a rival is right about that too; else the candidate with the best score does.
    """
    bearable = MOST_CONTRADICTED * min(moments.on.sum(), moments.off.sum())
    order = sorted(pool, key=lambda one: (one.score, one.literals))
    fits: list[tuple[Candidate, Tried]] = []
    mine = next(each for each in order if each.rule is own)
    tried = tried_rule(own, scenes)
    if tried.explained >= FEWEST_EDGES and tried.share == 1.0 and not _is_outdone(mine, order, scenes, moments):
        fits.append((mine, tried))
    for each in order:
        if fits and (each is fits[0][0] or not _as_good(each, fits[0][0], own)):
            continue
        tried = tried_rule(each.rule, scenes)
        if not tried.bears_out() or (fits and tried.share < fits[0][1].share):
            continue
        perfect = tried.share == 1.0
        most = max(bearable, tried.missed + tried.stray)
        if not perfect and each.contradicted > most and moments.stretches_contradicting(each.rule) > most:
            continue
        if each.rule is own or _hardly_chance(tried, _as_many(each, len(moments.moving())), perfect=perfect):
            fits.append((each, tried))
    return sorted(fits, key=lambda pair: (pair[0].rule is not own, pair[0].literals))


def _is_outdone(mine: Candidate, order: Sequence[Candidate], scenes: Sequence[Scene], moments: Moments) -> bool:
    """Tell whether the own rule is contradicted more than once and a rule that nothing contradicts explains as much."""
    if moments.stretches_contradicting(mine.rule) < FEWEST_EDGES:
        return False
    for each in order:
        if each.score >= mine.score:
            return False
        tried = tried_rule(each.rule, scenes) if not each.contradicted else None
        if tried is not None and tried.share == 1.0 and tried.bears_out():
            return _hardly_chance(tried, _as_many(each, len(moments.moving())), perfect=True)
    return False


def _as_good(each: Candidate, best: Candidate, own: Rule) -> bool:
    """Tell whether a candidate explains the moments as well as the best one, and is no longer or the plan's."""
    return each.contradicted <= best.contradicted and (each.rule is own or each.literals <= best.literals)


def _hardly_chance(tried: Tried, rules: int, *, perfect: bool) -> bool:
    """Tell whether agreement is too good for chance, so many rules tried; in short recordings only if it is perfect."""
    chance = tried.chance(rules)
    if chance is None:
        return perfect
    return chance < (EVEN_CHANCE if perfect else SMALL_CHANCE)


def _as_many(each: Candidate, controls: int) -> int:
    """Return how many rules could have been named as well: one if the plan names it.

    Else those with so many controls, each plain or negated, joined by *and* or *or*.
    """
    if each.is_planned:
        return 1
    used = min(each.literals, controls)
    return max(1, (math.comb(controls, used) << used) * (2 if used > 1 else 1))


def _candidates(moments: Moments, own: Rule, planned: Iterable[Rule]) -> list[Candidate]:
    """List the rules worth trying: those of the plan, and the smallest ones that the moments allow."""
    moving = moments.moving()
    literal = max(math.log(4 * max(1, len(moving))), CONTRADICTION + math.log(2))
    pool = {own.meaning(): Candidate(own, moments.contradicting(own), literal, _literals(own), is_planned=True)}
    for rule in planned:
        if rule.controls:
            each = Candidate(rule, moments.contradicting(rule), literal, _literals(rule), is_planned=True)
            pool.setdefault(rule.meaning(), each)
    bound = min(each.score for each in pool.values())
    for columns, on, off, contradicted in _subsets(moments, moving):
        score = contradicted * CONTRADICTION + len(columns) * literal
        if score > bound + CONTRADICTION and len(columns) > _literals(own):
            continue
        for each in _smallest(moments.names, columns, on, off, contradicted, literal):
            pool.setdefault(each.rule.meaning(), each)
            bound = min(bound, each.score)
    return list(pool.values())


def _smallest(
    names: Sequence[str], columns: Sequence[int], on: Ints, off: Ints, contradicted: int, literal: float
) -> Iterator[Candidate]:
    """Yield the smallest rules over some controls; settings with as many moments on as off may go either way."""
    own = [names[column] for column in columns]
    for found in smallest_rules(np.flatnonzero(on > off).tolist(), np.flatnonzero(off > on).tolist(), own):
        rule = parse_rule(found.text, own)
        yield Candidate(rule, contradicted, found.literals * literal, found.literals)


def _subsets(moments: Moments, moving: Sequence[int]) -> Iterator[tuple[tuple[int, ...], Ints, Ints, int]]:
    """Yield the sets of controls each of which is needed: columns, moments on and off by setting, contradictions."""
    least = int(min(moments.on.sum(), moments.off.sum()))
    known: dict[tuple[int, ...], int] = {(): least}
    if len(moving) > MOST_CONTROLS:
        alone = {column: _projected(moments, (column,))[2] for column in moving}
        moving = sorted(sorted(moving, key=lambda column: alone[column])[:MOST_CONTROLS])
    every = chain.from_iterable(combinations(moving, size) for size in range(1, MOST_IN_RULE + 1))
    for columns in every:
        without = [known[tuple(c for c in columns if c != column)] for column in columns]
        if not min(without):
            known[columns] = 0
            continue
        on, off, contradicted = _projected(moments, columns)
        known[columns] = contradicted
        if contradicted < min(without):
            yield columns, on, off, contradicted


def _projected(moments: Moments, columns: Sequence[int]) -> tuple[Ints, Ints, int]:
    """Return the moments on and off for each setting of some controls, and how many contradict the others there."""
    states = moments.states[:, list(columns)]
    known = (states >= OFF).all(axis=1)
    row = (states[known] == ON) @ (1 << np.arange(len(columns)))
    on = np.bincount(row, moments.on[known], 1 << len(columns)).astype(np.int64)
    off = np.bincount(row, moments.off[known], 1 << len(columns)).astype(np.int64)
    return on, off, int(np.minimum(on, off).sum())


def _literals(rule: Rule) -> int:
    """Return how often a rule names a control."""
    words = rule.text.replace("(", " ").replace(")", " ").split()
    return sum(word in rule.controls for word in words)


def _untested(moments: Moments, controls: Iterable[str]) -> tuple[str, ...]:
    """Say the settings of some controls in which the output was never seen settled; not of more than a few controls."""
    names = tuple(dict.fromkeys(controls))
    if len(names) > MOST_IN_RULE or not set(names) <= set(moments.names):
        return ()
    on, off, _ = _projected(moments, [moments.names.index(name) for name in names])
    return tuple(
        ", ".join(f"{name} {'on' if row >> bit & 1 else 'off'}" for bit, name in enumerate(names))
        for row in np.flatnonzero(on + off == 0)
    )


def _latching(scenes: Sequence[Scene], moments: Moments) -> SeenRules:
    """Look for the controls that turn the output on by one exercise and off by the next."""
    found = [(moments.names[column], toggles(moments.names[column], scenes)) for column in moments.moving()]
    fits = [(name, own) for name, own in found if own.explained > FEWEST_EDGES and own.bears_out()]
    if not fits:
        return SeenRules()
    best = max(own.share for _, own in fits)
    fits = [(name, own) for name, own in fits if own.share == best]
    first = fits[0][1]
    return SeenRules(
        rules=tuple(name for name, _ in fits),
        explained=first.explained,
        exercises=first.exercises,
        latency_s=first.latency_s,
        is_latching=True,
    )
