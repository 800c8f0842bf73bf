"""Shifts: an output that does all that its rule asks, but one constant delay later."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.outputs import Places

if TYPE_CHECKING:
    from canlens.nouns.outputs import OutputEvidence, Timer
    from canlens.nouns.tracks import Track
    from canlens.signals import Floats

FEWEST = 3
"""So many exercises at least must be answered with the same delay."""
ALIKE = 0.1
"""Delays that differ from their median by no more than this share, beside what rows hide, are one (our choice: a timer
is exact to a few per cent)."""


def unshifted(own: OutputEvidence, within_s: float) -> OutputEvidence:
    """Return an output with its answers told as late where one delay explains all of them.

    A delay that is longer than the press looks like exercises without answer and answers without exercise, and like a
    run-on; all of that is then told as one delay.

    Parameters
    ----------
    own
        As measured.
    within_s
        An answer is due within this time [s].
    """
    track, found = own.track, own.answers
    if track is None or not len(found.unanswered) or not len(found.unasked):
        return own
    if any(own.follows_other_than(each.own) for each in own.scenes):
        return own
    delay_s = _delay(own.rule, track)
    if delay_s is None or (np.median(delay_s) <= within_s + track.slack_s):
        return own
    none = Places.none()
    late = Places.of(own.rule, own.rule.rises)
    answers = replace(
        found, due=late, answered=none, late=late, unanswered=none, unasked=none, latency_s=np.zeros(0), late_s=delay_s
    )
    release = _released(own.release, float(np.median(delay_s)), track.slack_s)
    return replace(own, answers=answers, release=release, dropped=none)


def _delay(rule: Track, output: Track) -> Floats | None:
    """Return the time from each rise of the rule to the output's own one [s]; None unless they are alike."""
    asked_s, rise_s = rule.time_s[rule.rises], output.time_s[output.rises]
    if len(asked_s) < FEWEST or len(rise_s) != len(asked_s):
        return None
    delay_s: Floats = rise_s - asked_s
    middle_s = float(np.median(delay_s))
    if middle_s <= 0 or (rise_s[:-1] >= asked_s[1:]).any():
        return None
    if (np.abs(delay_s - middle_s) > ALIKE * middle_s + output.slack_s + rule.slack_s).any():
        return None
    return delay_s


def _released(release: Timer | None, delay_s: float, slack_s: float) -> Timer | None:
    """Return the release without what is wrong with it, if it is as late as the answers."""
    if release is None or not len(release.longest_s):
        return release
    late_s = float(np.median(release.longest_s)) - release.planned_s
    if abs(late_s - delay_s) > ALIKE * delay_s + 2 * slack_s:
        return release
    return replace(release, wrong=Places.none(), overdue=Places.none())
