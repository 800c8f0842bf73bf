"""Mapping: which rules explain what an output did, which rules of the plan could not be told apart, and what would."""

from __future__ import annotations

from itertools import chain, combinations, islice
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.answers import answers
from canlens.measures.tracks import ROUNDING_S
from canlens.plan.rule import ON, UNKNOWN, Rule, parse_rule

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.evidence import Track

FEWEST_EDGES = 2
"""One coincidence is no rule: a rule fits when it explains at least this many rises."""
MOST_SETTINGS = 1 << 12
"""Settings of the controls that are tried for an exercise, those with few controls on first: all there are of twelve
controls; nobody operates more of them at once."""


def candidates(controls: Iterable[str], planned: Iterable[Rule]) -> tuple[Rule, ...]:
    """List rules worth trying, simplest first: single controls, their negations, pairs, and the plan's own.

    Rules with the same truth table are listed once.
    """
    names = tuple(controls)
    texts = [*names, *(f"not {name}" for name in names)]
    for first, second in combinations(names, 2):
        texts += [f"{first} or {second}", f"{first} and {second}"]
        texts += [f"{first} and not {second}", f"{second} and not {first}"]
    rules: list[Rule] = [parse_rule(text, names) for text in texts]
    known = {rule.meaning() for rule in rules}
    for rule in planned:
        if rule.meaning() not in known:
            known.add(rule.meaning())
            rules.append(rule)
    return tuple(rules)


def fitting(
    rules: Iterable[tuple[Rule, Track]], output: Track, *, within_s: float, run_on_s: float = 0.0
) -> tuple[Rule, ...]:
    """Return the rules whose every edge that counts was answered in time, with nothing unasked.

    Parameters
    ----------
    rules
        To try, each with its state over time.
    output
        State of the output over time.
    within_s, run_on_s
        An answer is due within this time, and the output may stay on so long after its rule [s].
    """
    kept = []
    rise = output.rises
    rise_s = output.time_s[rise]
    since_s = (output.before_s[rise] if output.slack_s else rise_s) - within_s - run_on_s - ROUNDING_S
    for rule, asked in rules:
        if not (asked.ever(ON, since_s, rise_s) | asked.ever(UNKNOWN, since_s, rise_s)).all():
            continue
        found = answers(asked, output, within_s=within_s, run_on_s=run_on_s)
        explained = len(found.answered)
        if explained >= FEWEST_EDGES and explained == len(found.due) and not len(found.unasked):
            kept.append(rule)
    return tuple(kept)


def told_apart(first: Track, second: Track, *, longer_than_s: float) -> bool:
    """Tell whether two rules ever differed, both known, for longer than an output needs to show it [s]."""
    time_s = np.union1d(first.time_s, second.time_s)
    if not len(time_s):
        return False
    one, two = first.at(time_s), second.at(time_s)
    differ = (one != two) & (one != UNKNOWN) & (two != UNKNOWN)
    lasts_s = np.diff(np.append(time_s, max(min(first.end_s, second.end_s), time_s[-1])))
    edges = np.diff(np.concatenate(([0], differ.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    total_s = np.append(0.0, np.cumsum(lasts_s))
    return bool(((total_s[stops] - total_s[starts]) > longer_than_s).any())


def telling_exercise(first: Rule, second: Rule) -> str | None:
    """Say in words the exercise that tells two rules apart; None where they are the same, or none is simple."""
    names = tuple(dict.fromkeys((*first.controls, *second.controls)))
    few_first = chain.from_iterable(combinations(reversed(names), count) for count in range(len(names) + 1))
    settings = list(islice(few_first, MOST_SETTINGS))
    states = {name: np.array([name in operated for operated in settings], np.int8) for name in names}
    apart = np.flatnonzero(first.evaluate(states) != second.evaluate(states))
    if not len(apart):
        return None
    operated = settings[apart[0]]
    on = [name for name in names if name in operated]
    off = [name for name in names if name not in operated]
    done = f"operate {' and '.join(on)}" if on else "operate nothing"
    left = f" while {' and '.join(off)} {'is' if len(off) == 1 else 'are'} off" if off else ""
    return f"{done}{left}"
