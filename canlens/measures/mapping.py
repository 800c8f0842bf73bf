"""Mapping: which rules explain what an output did, which rules of the plan could not be told apart, and what would."""

from __future__ import annotations

from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.answers import answers
from canlens.plan.rule import OFF, ON, UNKNOWN, Rule, parse_rule

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.evidence import Track

FEWEST_EDGES = 2
"""One coincidence is no rule: a rule fits when it explains at least this many rises."""


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
    for rule in planned:
        if not any(rule.same_as(known) for known in rules):
            rules.append(rule)
    return tuple(rules)


def fitting(rules: Iterable[tuple[Rule, Track]], output: Track, *, within_s: float) -> tuple[Rule, ...]:
    """Return the rules whose every edge that counts was answered in time, with nothing unasked.

    Parameters
    ----------
    rules
        To try, each with its state over time.
    output
        State of the output over time.
    within_s
        An answer is due within this time [s].
    """
    kept = []
    rise = output.rises
    rise_s = output.time_s[rise]
    since_s = (output.before_s[rise] if output.slack_s else rise_s) - within_s
    for rule, asked in rules:
        if not (asked.ever(ON, since_s, rise_s) | asked.ever(UNKNOWN, since_s, rise_s)).all():
            continue
        found = answers(asked, output, within_s=within_s)
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
    """Say in words the exercise that tells two rules apart; None where they are the same."""
    names = tuple(dict.fromkeys((*first.controls, *second.controls)))
    rows = sorted(product((OFF, ON), repeat=len(names)), key=sum)
    for row in rows:
        states = {name: np.array([state], np.int8) for name, state in zip(names, row, strict=True)}
        if first.evaluate(states)[0] == second.evaluate(states)[0]:
            continue
        on = [name for name, state in zip(names, row, strict=True) if state == ON]
        off = [name for name, state in zip(names, row, strict=True) if state == OFF]
        done = f"operate {' and '.join(on)}" if on else "operate nothing"
        left = f" while {' and '.join(off)} {'is' if len(off) == 1 else 'are'} off" if off else ""
        return f"{done}{left}"
    return None
