"""Small buses made in memory from a readable description: messages on a beat, with what is wrong with them.

::

    bus(Sent("Speed", 0x100, every_s=0.05), Sent("Doors", 0x200, at_s=[1.0, 4.2]), end_s=10)

Speed comes every 50 ms from 0 s on, Doors twice. The recording is looked at without a plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.database import Database, Message, SignalDefinition
from canlens.measures.gathering import surveyed
from canlens.plan import Bus, Plan
from canlens.trace import COLUMNS, Payload, Trace
from tests.unit.small_jobs import Job

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.nouns.bus import BusResult
    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.outputs import Evidence

START_NS = 1_700_000_000 * 10**9
NS = 10**9
BIT_RATE = 500_000


def counting(modulus: int = 16, *, shift: int = 0, start: int = 0) -> Callable[[int], bytes]:
    """Return payloads whose first byte counts frames."""
    return lambda number: bytes([(start + number) % modulus << shift, 0x5A])


def resting(number: int) -> bytes:
    """Return a payload that never changes."""
    del number
    return b"\x00\x5a"


@dataclass(frozen=True)
class Sent:
    """What is sent under one identifier.

    Attributes
    ----------
    name, identifier
        Of the message; several may share an identifier.
    every_s, phase_s
        Cycle and first beat [s].
    at_s
        Times of further frames [s]; the only ones where there is no cycle.
    silent
        Spans [s] in which it is not sent; its frames are counted on.
    jitter_s
        Standard deviation of each frame from its beat [s].
    payload
        From the number of the frame to its bytes.
    declared_s, node
        Cycle time and sender in the database; without a node the database does not know it.
    """

    name: str
    identifier: int
    every_s: float | None = None
    phase_s: float = 0.0
    at_s: Sequence[float] = ()
    silent: Sequence[tuple[float, float]] = ()
    jitter_s: float = 0.0
    payload: Callable[[int], bytes] = resting
    declared_s: float | None = None
    node: str | None = "Node"

    def frames(self, end_s: float, draw: np.random.Generator) -> list[tuple[int, bytes]]:
        """Return the frames as stamps [ns] and payloads."""
        times = [round(each * NS) for each in self.at_s]
        if self.every_s is not None:
            beats = range(round(self.phase_s * NS), round(end_s * NS) + 1, round(self.every_s * NS))
            times += [each + round(draw.normal(0, self.jitter_s) * NS) for each in beats]
        mute = [(round(start * NS), round(stop * NS)) for start, stop in self.silent]
        numbered = enumerate(sorted(each for each in times if each <= round(end_s * NS)))
        return [(time, self.payload(n)) for n, time in numbered if not any(a <= time < b for a, b in mute)]


@dataclass(frozen=True, eq=False)
class SmallBus(Job):
    """A recording looked at without a plan, in place of a job."""

    told: BusResult | None = None

    @property
    def evidence(self) -> Evidence:
        own = surveyed(self.trace, self.plan).evidence
        if self.told is None:
            return own
        return replace(own, bus_evidence=replace(own.bus_evidence, bus=self.told))

    def message(self, name: str) -> MessageEvidence:
        """Return what was measured of one message."""
        return next(each for each in self.evidence.bus_evidence.intervals if each.name == name)


def bus(*sent: Sent, end_s: float, seed: int = 1, shift_ns: Callable[[int], int] = lambda _: 0) -> SmallBus:
    """Make a bus.

    Parameters
    ----------
    sent
        What is sent; frames of the same time keep this order.
    end_s
        End of the recording [s].
    seed
        Of the jitter.
    shift_ns
        What the recorder's clock is off at a time [ns].
    """
    draw = np.random.default_rng(seed)
    frames = sorted(
        (time, order, each.identifier, payload)
        for order, each in enumerate(sent)
        for time, payload in each.frames(end_s, draw)
    )
    columns: dict[str, Any] = {name: np.zeros(len(frames), dtype) for name, dtype in COLUMNS.items()}
    columns["time_ns"] = np.array([START_NS + time + shift_ns(time) for time, *_ in frames], np.int64)
    columns["identifier"] = np.array([identifier for _, _, identifier, _ in frames], np.uint32)
    columns["dlc"] = np.array([len(payload) for *_, payload in frames], np.uint8)
    columns["line"] = np.arange(1, len(frames) + 1)
    columns["is_rx"] = np.ones(len(frames), bool)
    trace = Trace(**columns, payload=Payload.of([payload for *_, payload in frames]), channels=("can0",))
    messages = {
        each.identifier: Message(
            each.name,
            each.identifier,
            is_extended=False,
            length=2,
            senders=(each.node,),
            cycle_time_s=each.declared_s,
            signals=(SignalDefinition("Value", 0, 8),),
        )
        for each in reversed(sent)
        if each.node is not None
    }
    plan = Plan("", "", Database(tuple(messages.values())), {}, {}, bus=Bus(bit_rate=BIT_RATE))
    return SmallBus(plan, trace)


def others(number: int = 3, *, silent: Sequence[tuple[float, float]] = (), counts: bool = False) -> list[Sent]:
    """Return messages with which nothing is wrong, each of a node of its own."""
    return [
        Sent(
            f"Other{each}",
            0x300 + each,
            every_s=0.05,
            phase_s=0.001 * (each + 1),
            silent=silent,
            node=f"Node{each}",
            payload=counting() if counts else resting,
        )
        for each in range(number)
    ]
