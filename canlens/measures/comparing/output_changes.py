"""Output changes: rules, latencies, timers and the controller's supply, judged against one plan."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.comparing.significance import benjamini_hochberg, exchange_p
from canlens.results.compare import Change, NotCompared

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from canlens.nouns.outputs import Evidence, OutputEvidence, Timer
    from canlens.plan import Plan, Rule
    from canlens.results.check import OutputResult
    from canlens.results.compare import ChangeKind, Direction
    from canlens.signals import Floats


# Timer changes: how long outputs stay on after their control, and when they are cut off, before and after.


FLOOR_S = 0.2
FLOOR_SHARE = 0.05
"""Times that differ by less than this, and by less than a twentieth, are alike in practice (our choice)."""

FOLLOWED = 0.5
"""At least so many exercises must be answered, and of so many answers fewer rises come unasked, for the times of an
output to be those of its own timers (our choice)."""


class _Span(NamedTuple):
    """The times seen of one timer: the shortest and the longest that they can have been [s], and their middle."""

    shortest_s: float
    longest_s: float

    @property
    def middle_s(self) -> float:
        return (self.shortest_s + self.longest_s) / 2


def timer_changes(before: Evidence, after: Evidence) -> list[Change]:
    """Compare how long each output ran on, and when it was cut off.

    A controller's timer is the same every time, so that one completed time on each side is enough: the spans in which
    the times must lie are compared. An output that was never seen to go off though it had to is one that stays on.
    """
    return [
        change
        for name in before.outputs
        for kind, timers in _timers(before.outputs[name], after.outputs[name])
        for change in _changes(name, kind, *timers)
    ]


def _timers(one: OutputEvidence, other: OutputEvidence) -> Iterator[tuple[ChangeKind, tuple[Timer, Timer]]]:
    """Yield the timers that both recordings tell something of; of an output that follows something else they do not."""
    if not (_follows_its_rule(one) and _follows_its_rule(other)):
        return
    if one.release is not None and other.release is not None:
        yield "run-on", (one.release, other.release)
    if one.cut_off is not None and other.cut_off is not None:
        yield "cut-off", (one.cut_off, other.cut_off)


def _follows_its_rule(output: OutputEvidence) -> bool:
    """Tell whether an output comes on when its rule wants it and not otherwise, more often than not.

    With a run-on that is too long it may still be on at the next exercise, which then counts as not answered.
    """
    came, found = len(output.answers.answered) + len(output.answers.late), output.answers
    return came > 0 and came >= FOLLOWED * len(found.due) and len(found.unasked) < FOLLOWED * came


def _changes(name: str, kind: ChangeKind, one: Timer, other: Timer) -> Iterator[Change]:
    """Yield the change of one timer, if there is one."""
    first, second = _span(one), _span(other)
    if first is not None and second is not None:
        apart_s = max(second.shortest_s - first.longest_s, first.shortest_s - second.longest_s)
        if apart_s > max(FLOOR_S, FLOOR_SHARE * first.middle_s):
            yield _change(name, kind, one, other, first.middle_s, second.middle_s)
    elif first is not None and len(other.overdue):
        yield _change(name, kind, one, other, first.middle_s, None)
    elif second is not None and len(one.overdue):
        yield _change(name, kind, one, other, None, second.middle_s)


def _span(timer: Timer) -> _Span | None:
    """Return the times that were seen; None where none was, or where they do not agree among themselves."""
    if not timer.completed:
        return None
    earliest_s, latest_s = float(timer.longest_s.min()), float(timer.shortest_s.max())
    if latest_s - earliest_s > max(FLOOR_S, FLOOR_SHARE * latest_s):
        return None
    return _Span(float(timer.shortest_s.min()), float(timer.longest_s.max()))


def _change(
    name: str, kind: ChangeKind, one: Timer, other: Timer, first_s: float | None, second_s: float | None
) -> Change:
    wrong = [bool(len(each.wrong) or len(each.overdue)) for each in (one, other)]
    direction: Direction = "neither"
    if wrong[0] != wrong[1]:
        direction = "worse" if wrong[1] else "better"
    planned = f"planned: {other.planned_s:g} s" if other.planned_s else "planned: at once"
    since = "its control went off" if kind == "run-on" else "its control came on"
    then, now = ("does not go off" if each is None else f"goes off {each:.3g} s" for each in (first_s, second_s))
    before = then if first_s is None else f"{first_s:.3g} s"
    quantity = "time on after its control" if kind == "run-on" else "time until it is cut off"
    sentence = f"{name} {now} after {since}; before: {before} ({planned})"
    return output_change(kind, name, (first_s, second_s), quantity, direction, sentence, unit="s")


# Output changes: rules, latencies and the controller's supply, for recordings that were judged against one plan.


LEVEL = 0.05
FEWEST_ANSWERS = 3
GOOD_ANSWERS = 8
"""So many answers each show a change that is far above the floors, whatever else is tested."""
SURE_RANGES = 4.0
"""Latencies that lie apart by so many times what they scatter are not alike by chance (our choice)."""
LATENCY_FLOOR_S = 0.03
LATENCY_FLOOR_SHARE = 0.2
"""Latencies that differ by less than this, and by less than a fifth, are alike in practice."""
SUPPLY_FLOOR_V = 0.5
SUPPLY_FLOOR_SHARE = 0.05
"""So much the supply of a parked vehicle moves by itself (our choice)."""


def rule_changes(
    seen: tuple[Evidence, Evidence],
    before: dict[str, OutputResult],
    after: dict[str, OutputResult],
    *,
    timed: Collection[str] = (),
) -> tuple[list[Change], list[NotCompared]]:
    """Compare what each output followed.

    An output changed if no rule explains it both times, or if it broke or was mended at the link of its command. One
    of those in ``timed``, whose run-on or cut-off changed, need not follow another rule because that hides its own.
    """
    changes: list[Change] = []
    open_ends: list[NotCompared] = []
    for name in seen[0].outputs:
        one, other = before[name], after[name]
        first, second = (
            evidence.outputs[name].fits or ((evidence.plan.outputs[name].when,) if result.observed is not None else ())
            for evidence, result in zip(seen, (one, other), strict=True)
        )
        if name in timed and not (first and second):
            continue
        if _is_changed(first, second, one, other):
            changes.append(_rule_change(name, one, other))
        elif not _seen(one) or not _seen(other):
            when = "before" if not _seen(one) else "after"
            reason = (one if when == "before" else other).reason
            open_ends.append(
                NotCompared(
                    f"rule of {name}", f"{when}, nothing shows what it follows: {reason}", f"Exercise {one.planned}."
                )
            )
    return changes, open_ends


def _seen(result: OutputResult) -> bool:
    """Tell whether the recording shows what the output follows, or that it follows nothing."""
    return result.observed is not None or result.first_broken_link == "commanded"


def _is_changed(first: Sequence[Rule], second: Sequence[Rule], one: OutputResult, other: OutputResult) -> bool:
    if first and second:
        return not any(rule.same_as(rival) for rule in first for rival in second)
    if not (_seen(one) and _seen(other)):
        return False
    return (one.first_broken_link == "commanded") != (other.first_broken_link == "commanded")


def _rule_change(name: str, one: OutputResult, other: OutputResult) -> Change:
    first, second = (each.observed or "none that is known" for each in (one, other))
    direction: Direction = "neither"
    if one.verdict != "failed" and other.verdict == "failed":
        direction = "worse"
    elif one.verdict == "failed" and other.verdict != "failed":
        direction = "better"
    sentence = f"{name} follows {second} instead of {first} (planned: {other.planned})"
    return output_change("rule", name, (first, second), "what the output follows", direction, sentence)


def output_change(
    kind: ChangeKind,
    subject: str,
    values: tuple[float | str | None, float | str | None],
    quantity: str,
    direction: Direction,
    sentence: str,
    *,
    unit: str = "",
    chance: float | None = None,
    node: str | None = None,
) -> Change:
    """Make the change of an output, or of what feeds all of them, from its values before and after."""
    first, second = values
    return Change(
        change=kind,
        subject=(subject,),
        before=first,
        after=second,
        size=second / first - 1 if isinstance(first, float) and isinstance(second, float) and first else None,
        p=chance,
        explained_by=None,
        quantity=quantity,
        unit=unit,
        direction=direction,
        channel="",
        node=node,
        sentence=sentence,
    )


def latency_changes(before: Evidence, after: Evidence) -> tuple[list[Change], list[NotCompared]]:
    """Compare the latencies of each output, late answers among them.

    Exercises are independent of each other, so they are dealt out singly.
    """
    changes: list[Change] = []
    open_ends: list[NotCompared] = []
    tested: list[tuple[str, Floats, Floats]] = []
    for name in before.outputs:
        one, other = (_latencies(each, name) for each in (before, after))
        if min(len(one), len(other)) >= FEWEST_ANSWERS:
            tested.append((name, one, other))
        elif len(one) or len(other):
            open_ends.append(_too_few(name, one, other))
    adjusted = benjamini_hochberg([exchange_p(_weighed(one), _weighed(other)) for _, one, other in tested])
    for (name, one, other), chance in zip(tested, adjusted.tolist(), strict=True):
        first, second = float(np.median(one)), float(np.median(other))
        if abs(second - first) <= max(LATENCY_FLOOR_S, LATENCY_FLOOR_SHARE * first) + _step_s(before.plan, name):
            continue
        if chance < LEVEL or _lie_apart(one, other):
            changes.append(_latency_change(name, first, second, chance if chance < LEVEL else None))
        elif min(len(one), len(other)) < GOOD_ANSWERS:
            open_ends.append(_too_few(name, one, other))
    return changes, open_ends


def _step_s(plan: Plan, name: str) -> float:
    """Return the cycle of the message that shows an output [s]; 0 where it is sent at once.

    An answer is seen when that message is due. How long it takes until then is alike for all exercises of a minute,
    and another in the next recording: latencies that differ by less tell nothing.
    """
    command = plan.outputs[name].command
    return (command.reference.message.cycle_time_s or 0.0) if command is not None else 0.0


def _latencies(evidence: Evidence, name: str) -> Floats:
    """Return how long an output took for each answer, also for those that came too late [s]."""
    answers = evidence.outputs[name].answers
    return np.concatenate([answers.latency_s, answers.late_s])


def _lie_apart(one: Floats, other: Floats) -> bool:
    """Tell whether so much lies between all answers before and all after that no test is needed."""
    between = max(other.min() - one.max(), one.min() - other.max())
    return bool(between > SURE_RANGES * max(np.ptp(one), np.ptp(other)))


def _too_few(name: str, one: Floats, other: Floats) -> NotCompared:
    """Say that an output answered too seldom for its latency to be compared."""
    medians = [f", median {np.median(each) * 1000:.0f} ms," if len(each) else "" for each in (one, other)]
    return NotCompared(
        f"latency of {name}",
        f"answered {len(one)} ×{medians[0]} before and {len(other)} ×{medians[1].rstrip(',')} after",
        f"Have it answered at least {FEWEST_ANSWERS} times in both, better {GOOD_ANSWERS} times.",
    )


def _latency_change(name: str, first: float, second: float, chance: float | None) -> Change:
    sentence = f"{name} answers after {second * 1000:.0f} ms instead of {first * 1000:.0f} ms (median)"
    direction: Direction = "worse" if second > first else "better"
    return output_change(
        "latency", name, (first, second), "median latency", direction, sentence, unit="s", chance=chance
    )


def _weighed(values: Floats) -> Floats:
    return np.stack([values, np.ones(len(values))], axis=1)


def supply_changes(plan: Plan, before: Evidence, after: Evidence) -> tuple[list[Change], list[NotCompared]]:
    """Compare the usual level of the controller's supply, and whether it falls too low for moments."""
    if plan.controller.supply is None:
        return [], []
    path, one, other = plan.controller.supply.path, before.supply, after.supply
    first, second = (each.usual_v if each else None for each in (one, other))
    if one is None or other is None or first is None or second is None:
        when = "before" if first is None else "after"
        return [], [NotCompared("supply", f"{when}, {path} did not come", "")]
    changes = []
    if abs(second - first) > max(SUPPLY_FLOOR_V, SUPPLY_FLOOR_SHARE * abs(first)):
        told = f"the controller's supply is {second:.2f} V instead of {first:.2f} V (median)"
        changes.append(_supply_change(plan, path, first, second, "median supply", told))
    if one.is_sagging != other.is_sagging and one.lowest_v is not None and other.lowest_v is not None:
        told = f"the controller's supply falls to {other.lowest_v:.2f} V, before to {one.lowest_v:.2f} V"
        changes.append(_supply_change(plan, path, one.lowest_v, other.lowest_v, "lowest supply", told))
    return changes, []


def _supply_change(plan: Plan, path: str, first: float, second: float, quantity: str, sentence: str) -> Change:
    direction: Direction = "worse" if second < first else "better"
    node = plan.controller.node
    return output_change("supply", path, (first, second), quantity, direction, sentence, unit="V", node=node)
