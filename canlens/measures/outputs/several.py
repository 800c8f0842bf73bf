"""Several recordings of one job: whose marks belong to which, and their evidence about the same output as one."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from canlens.measures.outputs.observations import HAND_NOTED_S
from canlens.measures.outputs.rules_seen import seen_rules
from canlens.nouns.outputs import (
    Answers,
    ControlEvidence,
    FlashEvidence,
    LevelEvidence,
    LoadEvidence,
    OutputEvidence,
    Places,
    Timer,
)
from canlens.plan.nouns import REST
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.outputs import Evidence
    from canlens.plan import Rule
    from canlens.trace import Trace


# Marked: to which of several recordings of a job the marks belong.


EPOCH_NS = 1_000_000_000 * NANOSECONDS_PER_SECOND
"""Stamps beyond this [ns] are those of a clock (September 2001 and later), smaller ones count from some start."""
TWICE = 0.5
"""Where so many of the marks of the recording with fewest lie in another one as well, they are not of both (our
choice)."""


def in_order(traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """Put the recordings of one job into the order in which they were made, each once.

    Stamps of a clock decide; where one of the recordings has none, the order in which they were given does. A recording
    that was given twice, be it once compressed, counts once.
    """
    once: list[Trace] = []
    for each in traces:
        if not any(_is_same(each, other) for other in once):
            once.append(each)
    if all(each.start_ns >= EPOCH_NS for each in once if len(each)):
        once.sort(key=lambda each: each.start_ns if len(each) else 0)
    return tuple(once)


def _is_same(one: Trace, other: Trace) -> bool:
    """Tell whether two traces hold the same recording."""
    if one is other or (one.source.sha256 and one.source.sha256 == other.source.sha256):
        return True
    return (
        0 < len(one) == len(other)
        and np.array_equal(one.time_ns, other.time_ns)
        and np.array_equal(one.identifier, other.identifier)
        and np.array_equal(one.payload.first8, other.payload.first8)
    )


def with_own_marks(every: Sequence[Evidence]) -> tuple[Evidence, ...]:
    """Leave marks that lie in several recordings to the one whose controls they fit best.

    Nobody was in two recordings at once; but marks that count from the first frame lie in each of them, and would make
    every control that rested in one of them look dead.

    Parameters
    ----------
    every
        The recordings of one job.

    Returns
    -------
    tuple
        As they were, where each mark lies in one recording.
    """
    written = sum(each.label != REST for each in every[0].marks) if every else 0
    inside = np.array([sum(_number(own) for own in each.controls.values()) for each in every])
    if (inside > 0).sum() < 2 or inside.sum() - written < TWICE * inside[inside > 0].min():  # noqa: PLR2004 – several
        return tuple(every)
    best = int(np.argmax([sum(_fitting(own) for own in each.controls.values()) for each in every]))
    return tuple(each if index == best else _without(each) for index, each in enumerate(every))


def _number(own: ControlEvidence) -> int:
    return 0 if own.marked is None else len(own.marked)


def _fitting(own: ControlEvidence) -> int:
    """Count the marks of a control that have an exercise near them."""
    if own.marked is None or not len(own.exercises):
        return 0
    apart = np.abs(own.marked[:, None] - own.exercises.time_s[None, :]).min(axis=1)
    return int((apart <= HAND_NOTED_S).sum())


def _without(evidence: Evidence) -> Evidence:
    """Return a recording as if nothing had been marked in it."""
    controls = {name: replace(own, marked=None) for name, own in evidence.controls.items()}
    return replace(evidence, marks=(), controls=controls)


Measured = TypeVar("Measured", Answers, Timer, LevelEvidence, FlashEvidence, LoadEvidence)


# Adding: the evidence that several recordings of one job hold about the same output, as one.


def added_output(parts: Sequence[OutputEvidence]) -> OutputEvidence:
    """Add up what several recordings show of one output.

    Counts, steps and times are put together; rules stay confounded (or fitting) only where every recording in which
    the rule came on leaves them so.

    Parameters
    ----------
    parts
        At least one; the tracks of the last one that could be read are kept.
    """
    if len(parts) == 1:
        return parts[0]
    shown = [each for each in parts if each.judged_from != "nothing"] or list(parts)
    readable = [each for each in shown if each.track is not None and len(each.track.time_s)]
    risen = [each for each in shown if len(each.rule.rises)]
    names = dict.fromkeys(name for each in shown for name in each.exercised)
    scenes = tuple(scene for each in shown for scene in each.scenes)
    return replace(
        readable[-1] if readable else shown[-1],
        answers=_added([each.answers for each in shown]) or Answers.none(),
        exercised={name: sum(each.exercised.get(name, 0) for each in shown) for name in names},
        confounded_with=_in_all([each.confounded_with for each in risen]),
        scenes=scenes,
        seen=seen_rules(scenes),
        release=_added([each.release for each in shown]),
        cut_off=_added([each.cut_off for each in shown]),
        dropped=Places.joined([each.dropped for each in shown]),
        day=_added([each.day for each in shown]),
        night=_added([each.night for each in shown]),
        flash=_added([each.flash for each in shown]),
        load=_added([each.load for each in shown]),
        confirmed=sum(each.confirmed for each in shown),
        seen_off=any(each.seen_off for each in shown),
        disagreed=Places.joined([each.disagreed for each in shown]),
        message_seen=any(bool(each.message_seen) for each in shown) if shown[-1].message_seen is not None else None,
    )


def added_control(parts: Sequence[ControlEvidence]) -> ControlEvidence:
    """Add up what several recordings show of one control."""
    if len(parts) == 1:
        return parts[0]
    readable = [each for each in parts if each.is_readable]
    marked = [each.marked for each in parts if each.marked is not None]
    noticed = [each.noticed for each in parts if each.noticed is not None]
    return replace(
        readable[-1] if readable else parts[-1],
        message_seen=any(each.message_seen for each in parts),
        exercises=Places.joined([each.exercises for each in parts]),
        marked=np.concatenate(marked) if marked else None,
        noticed=sum(noticed) if noticed else None,
        missed=sum(each.missed for each in parts),
    )


def _in_all(parts: Sequence[tuple[Rule, ...]]) -> tuple[Rule, ...]:
    if not parts:
        return ()
    return tuple(rule for rule in parts[0] if all(rule in each for each in parts))


def _added(parts: Sequence[Measured | None]) -> Measured | None:
    """Put the same measure of several recordings together, field by field: steps and times, counts, and the rest.

    What is told once at least is told; of figures the highest stands, and what was planned is the same in all.
    """
    known = [each for each in parts if each is not None]
    if not known:
        return None
    merged: dict[str, Any] = {}
    for field in fields(known[0]):
        values = [getattr(each, field.name) for each in known]
        match field.type:
            case "Places":
                merged[field.name] = Places.joined(values)
            case "Floats":
                merged[field.name] = np.concatenate(values)
            case "bool":
                merged[field.name] = any(values)
            case "int":
                merged[field.name] = sum(values)
            case _:
                merged[field.name] = max((value for value in values if not np.isnan(value)), default=np.nan)
    return replace(known[0], **merged)
