"""Scenarios of a comparison with a known answer: each draws buses, plants one thing, and counts what is told."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING
from unittest.mock import patch

import numpy as np

from canlens import compare
from canlens.rehearsal import batches
from canlens.trace import Source
from tests.drawn import DrawnBus, draw_bus, draw_plan
from tests.unit.error_logs import with_records

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from typing import Any

    from canlens.comparison import Comparison
    from canlens.database import Message
    from canlens.trace import Trace

CYCLES_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
DRIFTS_PPM = (50, 100, 150, 200)
OFF_SHARE = 0.4
"""Share of the time after which the ignition of a drawn bus goes off (tests/drawn/installs.py)."""
NO_ACK = 0x20  # Linux include/uapi/linux/can/error.h, CAN_ERR_ACK


def parts(trace: Trace, seconds: float) -> tuple[Trace, Trace]:
    """Cut a recording in two of equal length."""
    return trace.between(0, seconds), trace.between(seconds, 2 * seconds)


def target(seed: int, number: int) -> Message | None:
    """Choose a message with a cycle of the number-th kind; None where the bus has none."""
    wanted = CYCLES_S[number % len(CYCLES_S)]
    messages = draw_plan(seed)[0].database.messages
    return next((each for each in messages if each.cycle_time_s == wanted), None)


def targets(first_seed: int, number: int) -> Iterable[tuple[int, Message]]:
    """Yield so many seeds with a message each, of all cycles in turn."""
    seed, found = first_seed, 0
    while found < number:
        message = target(seed, found)
        if message is not None:
            yield seed, message
            found += 1
        seed += 1


def with_message_changed(identifier: int, changed: Callable[[Message, Any], tuple[Message, Any]]) -> Any:
    """Return a patch of the generator under which one message, or how it is sent, is changed."""
    usual = batches._ready  # habits belong to nodes; here one message of a node is to differ

    def ready(message: Message, changes_s: Any, awake: Any, habit: Any, draws: Any) -> Any:
        if message.identifier == identifier:
            message, habit = changed(message, habit)
        return usual(message, changes_s, awake, habit, draws)

    return patch.object(batches, "_ready", ready)


def _named(found: Comparison, kind: str) -> set[str]:
    return {each.subject[0] for each in found.result.changes if each.change == kind}


def intervals_by_one_percent(first_seed: int, number: int, seconds: float) -> str:
    """Let the cycle of one message of a drawn bus grow by 1 %."""
    counts: Counter[str] = Counter()
    for seed, message in targets(first_seed, number):
        before, _ = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        with with_message_changed(
            message.identifier, lambda one, habit: (replace(one, cycle_time_s=1.01 * (one.cycle_time_s or 0)), habit)
        ):
            _, after = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        told = _named(compare(before, after, database=draw_plan(seed)[0].database), "interval")
        name = f"0x{message.identifier:x}"
        counts["found"] += name in told
        counts["others"] += bool(told - {name})
    return (
        f"Interval of one message longer by 1 %, all cycles in turn: found in {counts['found']} of {number} pairs; "
        f"another message's interval told in {counts['others']}."
    )


def drifting_clocks(seeds: Sequence[int], seconds: float) -> str:
    """Let the second recorder's clock run fast or slow by 50 to 200 ppm; nothing else differs."""
    kinds: Counter[str] = Counter()
    for number, seed in enumerate(seeds):
        ppm = DRIFTS_PPM[number % len(DRIFTS_PPM)] * (1 if number // len(DRIFTS_PPM) % 2 else -1)
        before, after = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        since_ns = after.time_ns - after.time_ns[0]
        drifted = replace(after, time_ns=after.time_ns + np.rint(since_ns * (ppm * 1e-6)).astype(np.int64))
        found = compare(before, drifted, database=draw_plan(seed)[0].database)
        kinds.update({each.change for each in found.result.changes} | ({""} if found.result.changes else set()))
    told = ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items()) if kind) or "none"
    return f"Recorders' clocks apart by 50 to 200 ppm: {kinds['']} of {len(seeds)} healthy pairs flagged ({told})."


def ignition_states(seeds: Sequence[int], seconds: float) -> str:
    """Record before with the ignition on, then off, the bus asleep at last; after with the ignition on only."""
    flagged = aligned = 0
    for seed in seeds:
        before = draw_bus(seed, seconds / OFF_SHARE, sleeps=True)
        _, after = parts(draw_bus(seed, 2 * seconds).trace, seconds)
        result = compare(before.trace, after, plan=before.plan).result
        flagged += bool(result.changes)
        aligned += [each.state for each in result.aligned] == ["on"]
    return (
        f"Before with the ignition on, off and the bus asleep, after with the ignition on: compared in that state "
        f"in {aligned} of {len(seeds)} pairs, {flagged} flagged."
    )


def vanished(seeds: Sequence[int], seconds: float) -> str:
    """Take out one identifier of each bus, and in another pair all of one node."""
    right: Counter[str] = Counter()
    for number, seed in enumerate(seeds):
        drawn = draw_bus(seed, 2 * seconds)
        cyclic = [(each.identifier, each.is_extended) for each in drawn.plan.database.messages if each.cycle_time_s]
        one = cyclic[number % len(cyclic)]
        node = drawn.nodes[one]
        for kind, keys in (("identifier", [one]), ("node", [key for key, name in drawn.nodes.items() if name == node])):
            right[kind] += _vanishes(drawn, keys, seconds)
    return (
        f"Vanished: {right['identifier']} of {len(seeds)} identifiers found, {right['node']} of {len(seeds)} nodes "
        "found whole; nothing else called vanished."
    )


def _vanishes(drawn: DrawnBus, keys: Sequence[tuple[int, bool]], seconds: float) -> bool:
    """Tell whether just the cyclic identifiers among those taken out are told as vanished."""
    before, after = parts(drawn.trace, seconds)
    gone = np.zeros(len(after), np.bool_)
    for identifier, is_extended in keys:
        gone |= (after.identifier == identifier) & (after.is_extended == is_extended)
    told = _named(compare(before, after.where(~gone), database=drawn.plan.database), "identifier-vanished")
    cyclic = {f"0x{each.identifier:x}" for each in drawn.plan.database.messages if each.cycle_time_s}
    lost = {f"0x{identifier:x}" for identifier, _ in keys}
    return lost & cyclic <= told <= lost


def episodes(seeds: Sequence[int], seconds: float) -> str:
    """Put eight, or five, error episodes into the earlier recording of a bus without any; none comes after."""
    told: Counter[tuple[int, str]] = Counter()
    for seed in seeds:
        before, after = (
            replace(each, source=Source(format="candump"))
            for each in parts(draw_bus(seed, 2 * seconds, sporadic=0.0).trace, seconds)
        )
        for number in (8, 5):
            times = np.sort(np.random.default_rng([seed, number]).uniform(1, seconds - 1, number))
            records = [(float(time_s), NO_ACK, "00" * 8) for time_s in times]
            result = compare(with_records(before, records), after, database=draw_plan(seed)[0].database).result
            change = next((each.direction for each in result.changes if each.change == "errors"), None)
            short = any(each.what == "errors" and "not enough to tell" in each.why for each in result.not_compared)
            told[number, change or ("not enough to tell" if short else "nothing")] += 1
    return (
        f"Error episodes from eight to none: called better in {told[8, 'better']} of {len(seeds)} pairs; from five to "
        f"none: called not enough to tell in {told[5, 'not enough to tell']} of {len(seeds)}."
    )
