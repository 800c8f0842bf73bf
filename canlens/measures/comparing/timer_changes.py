"""Timer changes: how long outputs stay on after their control, and when they are cut off, before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens.measures.comparing.output_changes import output_change

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.comparison_results import Change, ChangeKind, Direction
    from canlens.evidence import Evidence, OutputEvidence, Timer

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
