"""Small sessions made in memory: slots in which a control was operated or left alone, and messages that follow.

::

    session = Slots("H..H.H..H..H...HH..H....")
    trace = recorded(session, cyclic(0x123, follows(session, "H", byte=2, bit=4)))

A letter is a slot in which that control was held, a dot one that was left alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan import Mark, Marks
from canlens.trace import Payload, Trace

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

NAMES = {"H": "horn", "B": "brake", "L": "lamp"}
DRAWN = "..H.HH...H..H...H..H.H.."
"""Eight of 24 slots, drawn by a coin."""
LEAD_S = 3.0
NS = 10**9
START_NS = 1_700_000_000 * NS

Write = "Callable[[float, bytearray], None]"


@dataclass(frozen=True)
class Slots:
    """Slots by letters; ``hold_s`` after ``delay_s`` of each slot of ``slot_s``."""

    letters: str = DRAWN
    slot_s: float = 6.0
    delay_s: float = 1.0
    hold_s: float = 2.0

    def spans(self, letter: str) -> list[tuple[float, float]]:
        """Return when a control was held [s from the first frame]."""
        return [
            (LEAD_S + number * self.slot_s + self.delay_s, LEAD_S + number * self.slot_s + self.delay_s + self.hold_s)
            for number, own in enumerate(self.letters)
            if own == letter
        ]

    @property
    def end_s(self) -> float:
        """Return the end of the recording [s]."""
        return LEAD_S + len(self.letters) * self.slot_s + 2.0

    def marks(self, *, moved_s: float = 0.0, jitter_s: float = 0.0, until: bool = True) -> Marks:
        """Return what the person marked, in seconds from the first frame."""
        random = np.random.default_rng(1)
        out = []
        for number, letter in enumerate(self.letters):
            begin_s = LEAD_S + number * self.slot_s + moved_s
            off_s = random.uniform(-jitter_s, jitter_s, 2)
            if letter == ".":
                out.append(Mark(begin_s + float(off_s[0]), "rest"))
                continue
            start_s = begin_s + self.delay_s + float(off_s[0])
            end_s = max(start_s, begin_s + self.delay_s + self.hold_s + float(off_s[1]))
            out.append(Mark(start_s, NAMES[letter], end_s if until else None))
        return Marks("marks.csv", tuple(sorted(out, key=lambda mark: mark.time_s)))


@dataclass(frozen=True)
class Sent:
    """Frames of one identifier."""

    identifier: int
    time_s: list[float]
    payloads: list[bytes]
    is_extended: bool = False
    is_fd: bool = False
    kind: int = 0
    channel: int = 0
    segment: int = 0


@dataclass(frozen=True)
class Follows:
    """Bits that take ``on`` while a control is held, after ``late_s``, else ``off``."""

    spans: Sequence[tuple[float, float]]
    byte: int
    shift: int = 0
    on: int = 1
    off: int = 0
    late_s: float = 0.1
    ramp_s: float = 0.0
    missed: Sequence[int] = ()

    def value(self, time_s: float) -> int:
        """Return the value at a time."""
        for number, (begin_s, end_s) in enumerate(self.spans):
            if number in self.missed:
                continue
            if begin_s + self.late_s <= time_s < end_s + self.late_s:
                part = min(1.0, (time_s - begin_s - self.late_s) / self.ramp_s) if self.ramp_s else 1.0
                return int(self.off + part * (self.on - self.off))
        return self.off


def cyclic(
    identifier: int,
    *parts: Follows,
    end_s: float,
    every_s: float = 0.1,
    length: int = 8,
    is_extended: bool = False,
    channel: int = 0,
    beside: Callable[[int], bytes] | None = None,
) -> Sent:
    """Return a message on a beat; ``beside`` gives the payload of each frame before the parts are written into it."""
    times = np.arange(0.013, end_s, every_s).tolist()
    payloads = []
    for number, time_s in enumerate(times):
        payload = bytearray(beside(number) if beside else bytes(length))
        for part in parts:
            payload[part.byte] |= part.value(time_s) << part.shift
        payloads.append(bytes(payload))
    return Sent(identifier, times, payloads, is_extended=is_extended, is_fd=length > 8, channel=channel)


def on_change(identifier: int, part: Follows, *, length: int = 2) -> Sent:
    """Return a message that is sent only when its control goes on or off."""
    times = sorted(each + part.late_s + 0.001 for span in part.spans for each in span)
    payloads = []
    for time_s in times:
        payload = bytearray(length)
        payload[part.byte] |= part.value(time_s) << part.shift
        payloads.append(bytes(payload))
    return Sent(identifier, times, payloads)


def noise(seed: int, *, end_s: float) -> list[Sent]:
    """Return messages that have nothing to do with any control."""
    random = np.random.default_rng(seed)
    out = []
    for number in range(8):
        states = [np.cumsum(random.exponential(random.uniform(3, 40), 200)) for _ in range(3)]
        walk = np.abs(np.cumsum(random.normal(0, 2, 10_000))).astype(int) % 256
        every_s = float(random.choice([0.2, 0.5, 1.0]))

        def content(
            frame: int, states: list[np.ndarray] = states, walk: np.ndarray = walk, s: float = every_s
        ) -> bytes:
            bits = sum(int(np.searchsorted(each, frame * s) & 1) << place for place, each in enumerate(states))
            return bytes([frame % 16, bits, int(walk[frame % len(walk)]), 0x5A, 0, 0, 0, int(frame * s) & 0xFF])

        out.append(cyclic(0x300 + number, end_s=end_s, every_s=every_s, beside=content))
    return out


@dataclass(frozen=True)
class Recorded:
    """Several messages put into one recording."""

    sent: list[Sent] = field(default_factory=list)

    def trace(self, *, channels: tuple[str, ...] = ("can0",), start_ns: int = START_NS) -> Trace:
        """Return the recording."""
        rows = [
            (one.segment, time_s, one, payload)
            for one in self.sent
            for time_s, payload in zip(one.time_s, one.payloads, strict=True)
        ]
        rows.sort(key=lambda row: row[:2])
        sent = [row[2] for row in rows]
        n = len(rows)
        no = np.zeros(n, np.bool_)
        return Trace(
            time_ns=np.array([start_ns + round(row[1] * NS) for row in rows], np.int64),
            segment=np.array([row[0] for row in rows], np.int32),
            channel=np.array([one.channel for one in sent], np.int16),
            identifier=np.array([one.identifier for one in sent], np.uint32),
            is_extended=np.array([one.is_extended for one in sent], np.bool_),
            kind=np.array([one.kind for one in sent], np.uint8),
            is_fd=np.array([one.is_fd for one in sent], np.bool_),
            bit_rate_switch=no,
            error_state_indicator=no,
            is_rx=np.ones(n, np.bool_),
            dlc=np.array([min(len(row[3]), 8) for row in rows], np.uint8),
            line=np.arange(1, n + 1),
            payload=Payload.of([row[3] for row in rows]),
            channels=channels,
        )


def recorded(*sent: Sent, channels: tuple[str, ...] = ("can0",), start_ns: int = START_NS) -> Trace:
    """Return the recording of several messages."""
    return Recorded(list(sent)).trace(channels=channels, start_ns=start_ns)
