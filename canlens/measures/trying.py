"""Trying: one rule put to the exercises of a job – what it explains, with which times, and by what chance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.answers import answers
from canlens.measures.coincidence import coincidence
from canlens.measures.observations import observed_answers
from canlens.measures.release import cut_off, release
from canlens.measures.tracks import ROUNDING_S, rule_track

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Rule
    from canlens.rule_evidence import Scene
    from canlens.signals import Floats
    from canlens.steps import Track

FEWEST_EDGES = 2
"""One coincidence is no rule: a rule fits when it explains at least this many exercises."""
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
    tracks = tuple(rule_track(rule, scene.controls) for scene in scenes)
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


def toggles(control: str, scenes: Sequence[Scene]) -> Tried:
    """Put to a job the thought that each exercise of a control changes the output, and nothing else does."""
    explained = missed = stray = 0
    latency = [np.zeros(0)]
    tracks = tuple(scene.controls[control] for scene in scenes)
    for own, scene in zip(tracks, scenes, strict=True):
        if scene.output is None:
            continue
        changes = np.sort(np.concatenate([scene.output.rises, scene.output.falls]))
        change_s, edge_s = scene.output.time_s[changes], own.time_s[own.rises]
        due_s = edge_s + scene.within_s + scene.output.slack_s + ROUNDING_S
        edge_s = edge_s[due_s <= min(own.end_s, scene.output.end_s)]
        due_s = edge_s + scene.within_s + scene.output.slack_s + ROUNDING_S
        first = np.searchsorted(change_s, edge_s, "left")
        taken_s = np.append(change_s, np.inf)[first]
        hit = taken_s <= due_s
        hits = int(hit.sum())
        explained, missed, stray = explained + hits, missed + len(edge_s) - hits, stray + len(change_s) - hits
        latency.append((taken_s - edge_s)[hit])
    return Tried(explained, missed, stray, np.concatenate(latency), tracks, tuple(scenes), (control,))


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
