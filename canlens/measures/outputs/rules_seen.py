"""Rules seen: the rules that explain what an output did, how much of it, with which times and by what chance."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import chain, combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.outputs.answers import answers, cut_off, release
from canlens.measures.outputs.coincidence import coincidence
from canlens.measures.outputs.observations import observed_answers
from canlens.measures.outputs.tracks import rule_track
from canlens.measures.outputs.truth_tables import MOST_RULES, Moments, smallest_rules
from canlens.measures.outputs.wanted import presses
from canlens.nouns.tracks import FEWEST_EDGES, ROUNDING_S, SeenRules
from canlens.plan.rule import OFF, ON, Rule

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from canlens.nouns.tracks import Scene, Track
    from canlens.signals import Floats
    from canlens.trace import Ints


# Trying: one rule put to the exercises of a job – what it explains, with which times, and by what chance.


MISSED = 0.05
"""Share of exercises of a true rule that may go unanswered: one in twenty, for lost frames and hasty fingers (our
choice)."""
SELDOM = 0.02
"""A true rule may miss so many exercises as happens to it once in fifty jobs: one of three or four, two of a dozen."""
MOST_STRAY = 0.2
"""What an output does unasked may be this share of all (our choice): more of it, and something else drives it too."""
ALIKE_S, ALIKE_SHARE = 0.5, 0.05
"""On-times as much alike as this, or as this share of themselves, are a timer's (a plan's own tolerance by default)."""


class Tried(NamedTuple):
    """What a rule explains.

    Attributes
    ----------
    explained, missed, stray
        Exercises that the output answered, alike in time; those it did not; what it did unasked.
    latency_s
        float64: control edge to answer [s].
    rule, scenes
        The rule's state in each scene, and the scenes.
    asks
        The controls of the rule.
    """

    explained: int
    missed: int
    stray: int
    latency_s: Floats
    rule: tuple[Track, ...]
    scenes: tuple[Scene, ...]
    asks: tuple[str, ...]

    @property
    def exercises(self) -> int:
        """All that count, with what the output did unasked."""
        return self.explained + self.missed + self.stray

    @property
    def share(self) -> float:
        """Share of the exercises that is explained."""
        return self.explained / self.exercises if self.exercises else 0.0

    def bears_out(self) -> bool:
        """Tell whether the rule may be true: answers are missing by chance only, and little was done unasked."""
        if self.explained < FEWEST_EDGES or self.stray > MOST_STRAY * self.exercises:
            return False
        return missing_by_chance(self.missed, self.missed + self.explained) >= SELDOM

    def run_on_s(self) -> float | None:
        """Return how long the output stays on after the rule [s]; None where it goes off in time, or not alike."""
        shortest, longest = [np.zeros(0)], [np.zeros(0)]
        for rule, scene in zip(self.rule, self.scenes, strict=True):
            if scene.output is not None:
                timer = release(rule, scene.output, within_s=scene.within_s, run_on_s=scene.stays_s)
                shortest.append(timer.shortest_s)
                longest.append(timer.longest_s)
        low = np.concatenate(shortest)
        answer_s = max(scene.within_s for scene in self.scenes)
        return _alike(low, np.concatenate(longest)) if len(low) and low.min() > answer_s else None

    def cut_off_s(self) -> float | None:
        """Return how long the output is on before it goes off although the rule lasts [s]; None where it does not."""
        shortest, longest = [np.zeros(0)], [np.zeros(0)]
        for rule, scene in zip(self.rule, self.scenes, strict=True):
            if scene.output is not None:
                timer = cut_off(rule, scene.output, within_s=scene.within_s, cut_after_s=0.0, tolerance_s=np.inf)
                shortest.append(timer.shortest_s)
                longest.append(timer.longest_s)
        return _alike(np.concatenate(shortest), np.concatenate(longest))

    def chance(self, tried: int) -> float | None:
        """Return the chance that something unrelated would agree as well; None where no recording can tell."""
        every = [
            coincidence(
                rule,
                scene.output,
                answer_s=scene.within_s + scene.output.slack_s,
                awake=scene.controls.get(scene.awake_while or "") if scene.awake_while not in self.asks else None,
                tried=tried,
                marked_s=scene.marked_s,
            )
            for rule, scene in zip(self.rule, self.scenes, strict=True)
            if scene.output is not None
        ]
        return min((each for each in every if each is not None), default=None)


def tried_rule(rule: Rule, scenes: Sequence[Scene]) -> Tried:
    """Put a rule to the exercises of a job.

    Late answers are explained where they are as late as each other. An output that only eye or ear saw is held against
    what was noted.
    """
    tracks = tuple(scene.asked(rule_track(rule, scene.controls)) for scene in scenes)
    explained = missed = stray = 0
    latency = [np.zeros(0)]
    for asked, scene in zip(tracks, scenes, strict=True):
        if scene.output is None:
            found, _ = observed_answers(
                asked, scene.observed, within_s=scene.within_s, stays_s=scene.stays_s, offset_s=scene.offset_s
            )
        else:
            found = answers(asked, scene.output, within_s=scene.within_s, run_on_s=scene.stays_s)
        times_s = np.concatenate([found.latency_s, found.late_s])
        slack_s = scene.output.slack_s if scene.output is not None else 0.0
        if len(found.late) and np.ptp(times_s) > scene.within_s + 2 * slack_s:
            times_s = found.latency_s
        agreed = len(times_s) if scene.output is not None else len(found.answered)
        explained, missed, stray = explained + agreed, missed + len(found.due) - agreed, stray + len(found.unasked)
        latency.append(times_s)
    return Tried(explained, missed, stray, np.concatenate(latency), tracks, tuple(scenes), rule.controls)


def toggles(rule: Rule, scenes: Sequence[Scene]) -> Tried:
    """Put to a job the thought that each exercise of a rule changes the output, and nothing else does."""
    explained = missed = stray = 0
    latency = [np.zeros(0)]
    tracks = tuple(rule_track(rule, scene.controls).led(scene.lead_s) for scene in scenes)
    for own, scene in zip(tracks, scenes, strict=True):
        if scene.output is None:
            continue
        changes = np.sort(np.concatenate([scene.output.rises, scene.output.falls]))
        told = presses(own)
        change_s, edge_s, since_s = scene.output.time_s[changes], own.time_s[told], own.since_s[told]
        due_s = edge_s + scene.within_s + scene.output.slack_s + ROUNDING_S
        ended = due_s <= min(own.end_s, scene.output.end_s)
        edge_s, since_s, due_s = edge_s[ended], since_s[ended], due_s[ended]
        first = np.searchsorted(change_s, since_s, "left")
        taken_s = np.append(change_s, np.inf)[first]
        hit = taken_s <= due_s
        hits = int(hit.sum())
        explained, missed, stray = explained + hits, missed + len(edge_s) - hits, stray + len(change_s) - hits
        latency.append(np.maximum(taken_s - edge_s, 0.0)[hit])
    return Tried(explained, missed, stray, np.concatenate(latency), tracks, tuple(scenes), rule.controls)


def _alike(shortest_s: Floats, longest_s: Floats) -> float | None:
    """Return the middle of some measured times [s]; None where there are none, or they are no timer's."""
    if not len(shortest_s):
        return None
    middle_s = (shortest_s + longest_s) / 2
    typical_s = float(np.median(middle_s))
    apart_s = max(float(shortest_s.max() - longest_s.min()), 0.0)
    return typical_s if apart_s <= max(ALIKE_S, ALIKE_SHARE * typical_s) else None


def missing_by_chance(missed: int, due: int) -> float:
    """Return the chance that a true rule misses at least so many exercises (binomial).

    Examples
    --------
    >>> round(missing_by_chance(1, 3), 4), round(missing_by_chance(3, 12), 4)
    (0.1426, 0.0196)
    """
    if missed <= 0:
        return 1.0
    each = np.arange(missed, due + 1)
    logs = np.append(0.0, np.cumsum(np.log(np.arange(1, due + 1))))  # of the factorials
    ways = logs[due] - logs[each] - logs[due - each]
    return min(1.0, float(np.exp(ways + each * math.log(MISSED) + (due - each) * math.log1p(-MISSED)).sum()))


# Rules seen: the smallest rules that explain what an output did, and how much of it they explain.


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


class RuleCandidate(NamedTuple):
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
    if shown[0].is_latched and all(scene.output is not None for scene in shown):
        return _latched(shown)
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
    untried = _untried(moments, own, shown)
    if not fits:
        return replace(_latching(shown, moments), untested=untested, untried=untried)
    best, tried = fits[0]
    return SeenRules(
        rules=tuple(each.rule for each, _ in fits[: MOST_RULES + 1]),
        explained=tried.explained,
        exercises=tried.exercises,
        latency_s=tried.latency_s,
        run_on_s=tried.run_on_s(),
        cut_off_s=tried.cut_off_s(),
        coincidence=tried.chance(_as_many(best, len(moments.moving()))),
        untested=_untested(moments, (*own.controls, *best.rule.controls)),
        untried=untried,
    )


def _fitting(
    pool: Iterable[RuleCandidate], own: Rule, scenes: Sequence[Scene], moments: Moments
) -> list[tuple[RuleCandidate, Tried]]:
    """Return the candidates that explain the exercises equally well, the output's own rule first, then the shortest.

    The own rule needs no better rival where it explains every exercise, unless it is wrong about when the output goes
    off and a rival is right about that too; else the candidate with the best score does.
    """
    bearable = MOST_CONTRADICTED * min(moments.on.sum(), moments.off.sum())
    order = sorted(pool, key=lambda one: (one.score, one.literals))
    fits: list[tuple[RuleCandidate, Tried]] = []
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


def _is_outdone(mine: RuleCandidate, order: Sequence[RuleCandidate], scenes: Sequence[Scene], moments: Moments) -> bool:
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


def _as_good(each: RuleCandidate, best: RuleCandidate, own: Rule) -> bool:
    """Tell whether a candidate explains the moments as well as the best one, and is no longer or the plan's."""
    return each.contradicted <= best.contradicted and (each.rule is own or each.literals <= best.literals)


def _hardly_chance(tried: Tried, rules: int, *, perfect: bool) -> bool:
    """Tell whether agreement is too good for chance, so many rules tried; in short recordings only if it is perfect."""
    chance = tried.chance(rules)
    if chance is None:
        return perfect
    return chance < (EVEN_CHANCE if perfect else SMALL_CHANCE)


def _as_many(each: RuleCandidate, controls: int) -> int:
    """Return how many rules could have been named as well: one if the plan names it.

    Else those with so many controls, each plain or negated, joined by *and* or *or*.
    """
    if each.is_planned:
        return 1
    used = min(each.literals, controls)
    return max(1, (math.comb(controls, used) << used) * (2 if used > 1 else 1))


def _candidates(moments: Moments, own: Rule, planned: Iterable[Rule]) -> list[RuleCandidate]:
    """List the rules worth trying: those of the plan, and the smallest ones that the moments allow."""
    moving = moments.moving()
    literal = max(math.log(4 * max(1, len(moving))), CONTRADICTION + math.log(2))
    pool = {own.meaning(): RuleCandidate(own, moments.contradicting(own), literal, _literals(own), is_planned=True)}
    for rule in planned:
        if rule.controls:
            each = RuleCandidate(rule, moments.contradicting(rule), literal, _literals(rule), is_planned=True)
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
) -> Iterator[RuleCandidate]:
    """Yield the smallest rules over some controls; settings with as many moments on as off may go either way."""
    own = [names[column] for column in columns]
    for found in smallest_rules(np.flatnonzero(on > off).tolist(), np.flatnonzero(off > on).tolist(), own):
        yield RuleCandidate(found.rule, contradicted, found.literals * literal, found.literals)


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


def _untried(moments: Moments, own: Rule, scenes: Sequence[Scene]) -> tuple[tuple[str, int], ...]:
    """Return the controls of a rule of several, with the state in which no moment shows that they matter.

    A control whose move the output answered has mattered: the rule without it explains no rise there.
    """
    if len(own.controls) < 2:  # noqa: PLR2004 – whether a single control matters its exercises show
        return ()
    moved = {name for scene in scenes for name in _answered_moves(own, scene)}
    return tuple(
        (name, state)
        for name in own.controls
        if name not in moved
        for state, other in ((OFF, ON), (ON, OFF))
        if not moments.contradicting(own.with_fixed(name, state=other))
    )


def _answered_moves(own: Rule, scene: Scene) -> Iterator[str]:
    """Yield the controls of a rule that moved, they alone, where the output answered."""
    if scene.output is None:
        return
    rule = rule_track(own, scene.controls)
    answered_s = answers(rule, scene.output, within_s=scene.within_s, run_on_s=scene.stays_s).answered.time_s
    moved = {name: np.isin(answered_s, scene.controls[name].time_s) for name in own.controls}
    alone = np.sum(list(moved.values()), axis=0) == 1
    yield from (name for name, each in moved.items() if (each & alone).any())


def _latched(scenes: Sequence[Scene]) -> SeenRules:
    """Find the rules that toggle an output which is meant to be toggled."""
    own, names = scenes[0].own, tuple(scenes[0].controls)
    pool = {each.meaning(): each for each in (own, *scenes[0].planned, *map(Rule.of, names)) if each.controls}
    found = [(rule, toggles(rule, scenes)) for rule in pool.values()]
    fits = [(rule, tried) for rule, tried in found if tried.explained >= FEWEST_EDGES and tried.bears_out()]
    if not fits:
        return SeenRules()
    best = max(tried.share for _, tried in fits)
    fits = [(rule, tried) for rule, tried in fits if tried.share == best]
    first = fits[0][1]
    return SeenRules(
        rules=tuple(rule for rule, _ in fits[: MOST_RULES + 1]),
        explained=first.explained,
        exercises=first.exercises,
        latency_s=first.latency_s,
        is_latching=True,
        untried=tuple(
            (name, state)
            for name in own.controls
            for state, other in ((OFF, ON), (ON, OFF))
            if (fixed := own.with_fixed(name, state=other)).controls and toggles(fixed, scenes).share == best
        ),
    )


def _latching(scenes: Sequence[Scene], moments: Moments) -> SeenRules:
    """Look for the controls that turn the output on by one exercise and off by the next."""
    names = [moments.names[column] for column in moments.moving()]
    found = [(name, toggles(Rule.of(name), scenes)) for name in names]
    fits = [(name, own) for name, own in found if own.explained > FEWEST_EDGES and own.bears_out()]
    if not fits:
        return SeenRules()
    best = max(own.share for _, own in fits)
    fits = [(name, own) for name, own in fits if own.share == best]
    first = fits[0][1]
    return SeenRules(
        rules=tuple(Rule.of(name) for name, _ in fits),
        explained=first.explained,
        exercises=first.exercises,
        latency_s=first.latency_s,
        is_latching=True,
    )
