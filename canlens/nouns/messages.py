"""Messages: what was measured of each identifier, and when the bus was awake."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np

from canlens.nouns.tracks import Places

if TYPE_CHECKING:
    from canlens.database import Message
    from canlens.signals import Floats


Kind = Literal["cyclic", "mixed", "event-driven", "too-few"]
"""How a message is sent: on a beat; on a beat and besides on a change; on a change alone; too seldom to tell."""
CountersDid = Literal["stood", "ran", "unknown"]
Clue = Literal["rate", "extra", "clocks", "counters", "beats", "payloads"]
"""What tells two senders from one: twice the declared rate, two clocks that drift apart, two counters, two beats of
different cycle, two families of payloads with a beat each."""


@dataclass(frozen=True)
class Interval:
    """Times between neighbouring frames of one identifier [s], those across a silence of the bus left out."""

    median: float
    min: float
    max: float
    sd: float


@dataclass(frozen=True, eq=False)
class Gaps:
    """Where a message on a beat stayed away though others came.

    Attributes
    ----------
    seen
        The frame that ended each gap.
    length_s
        float64 (k,): how long each took [s].
    missed
        Frames that should have come in them, all together.
    """

    seen: Places
    length_s: Floats
    missed: int


@dataclass(frozen=True, eq=False)
class Counter:
    """A field that counts frames: DBC bit number of its least significant bit, bits, range, and where it did not count.

    It counts from ``lowest`` to ``highest`` and begins anew. ``skipped`` are the frames at which it had jumped,
    ``repeated`` those at which it stood still.
    """

    start_bit: int
    length: int
    lowest: int
    highest: int
    skipped: Places
    repeated: Places


@dataclass(frozen=True, eq=False)
class Lengths:
    """Payload lengths of one identifier: how often each came [bytes], and where it was not the usual one."""

    counts: dict[int, int]
    unusual: Places

    @property
    def usual(self) -> int:
        """The one that came most often."""
        return max(self.counts, key=lambda length: (self.counts[length], length))


@dataclass(frozen=True, eq=False)
class TwoSenders:
    """Frames of one identifier that come as from two senders.

    Attributes
    ----------
    clues
        What speaks for it.
    from_s, to_s
        When it was seen [s].
    cycle_s
        Cycle of each of the two, or the shorter one [s].
    seen
        Frames that show it.
    """

    clues: tuple[Clue, ...]
    from_s: float
    to_s: float
    cycle_s: float
    seen: Places


@dataclass(frozen=True, eq=False)
class MessageEvidence:
    """One identifier on one channel.

    ``cycle_time_s`` is declared by the database, ``fitted_cycle_s`` was measured; ``payload_length`` is the one that
    came most often, ``payload_lengths`` counts all; ``gaps`` and ``late`` count intervals in which frames were missing
    or merely late, ``missed`` the frames.

    Attributes
    ----------
    identifier, is_extended, is_remote, channel
        Which frames these are; the channel by name.
    message
        Its definition; None where the database has none, or there is no database.
    frames, first_s, last_s, first_line, last_line
        How many came; when [s] and in which line the first and the last.
    interval
        Measured intervals; None with fewer than two frames.
    kind
        How it is sent.
    cycle_s
        Cycle time fitted to the frames on the beat [s]; None where there is no beat.
    jitter_s
        Half the width that holds the middle 95 % of the intervals [s]; None unless it is sent on a beat alone.
    late
        Intervals longer than one and a half cycles and no gap.
    gaps
        Where it stayed away.
    bursts
        Runs of three or more frames that came faster than a quarter of the cycle, or of the median interval.
    stopped_s, started_s
        It stopped then though the bus went on, and only began then though the bus was awake [s]; None where not.
    lengths, counter, two_senders
        Payload lengths; its counter, if it has one; None where one sender explains the frames.
    bus_load
        Its share of the load of its channel, as a ratio; None where that is not known, or was not asked for.
    """

    WRITTEN: ClassVar = (
        "identifier=number is_extended channel message=message_name sender frames interval_s=interval "
        "cycle_time_s=declared_s payload_length=lengths.usual bus_load is_remote kind fitted_cycle_s=cycle_s jitter_s "
        "first_s last_s gaps=gaps.seen missed=gaps.missed late bursts stopped_s started_s "
        "payload_lengths=lengths.counts counter two_senders=is_of_two"
    )

    identifier: int
    is_extended: bool
    channel: str
    frames: int
    first_s: float
    last_s: float
    interval: Interval | None
    kind: Kind
    gaps: Gaps
    lengths: Lengths
    first_line: int = 0
    last_line: int = 0
    message: Message | None = None
    is_remote: bool = False
    cycle_s: float | None = None
    jitter_s: float | None = None
    late: int = 0
    bursts: int = 0
    stopped_s: float | None = None
    started_s: float | None = None
    counter: Counter | None = None
    two_senders: TwoSenders | None = None
    bus_load: float | None = None

    @property
    def number(self) -> str:
        """The identifier as it is written."""
        return f"0x{self.identifier:x}"

    @property
    def message_name(self) -> str | None:
        """Name of the message; None where the database has none."""
        return self.message.name if self.message else None

    @property
    def name(self) -> str:
        """Name of the message, else the identifier."""
        return self.message_name or self.number

    @property
    def times(self) -> Interval:
        """Its intervals; nan with fewer than two frames."""
        return self.interval or Interval(np.nan, np.nan, np.nan, np.nan)

    @property
    def middle_s(self) -> tuple[float, float] | None:
        """Between these lie the middle 95 % of its intervals [s]; None unless it is sent on a beat alone."""
        if self.jitter_s is None:
            return None
        beat_s = self.times.median if self.cycle_s is None else self.cycle_s
        return max(beat_s - self.jitter_s, self.times.min), min(beat_s + self.jitter_s, self.times.max)

    @property
    def off_by(self) -> float:
        """How far the median interval is from the declared cycle, as a share of it; 0 where none is declared."""
        return abs(self.times.median - self.declared_s) / self.declared_s if self.declared_s else 0.0

    @property
    def is_of_two(self) -> bool:
        """Whether its frames come as from two senders."""
        return self.two_senders is not None

    @property
    def sender(self) -> str | None:
        """Nodes that the database lets transmit it, in words; None where it names none."""
        return ", ".join(self.senders) or None

    @property
    def senders(self) -> tuple[str, ...]:
        """Nodes that the database lets transmit it."""
        return self.message.senders if self.message else ()

    @property
    def declared_s(self) -> float | None:
        """Declared cycle time [s]; None where the database declares none."""
        return self.message.cycle_time_s if self.message else None


@dataclass(frozen=True)
class Speaker:
    """Who sent one frame."""

    WRITTEN: ClassVar = "time_s line identifier=number is_extended message sender"

    time_s: float
    line: int
    identifier: int
    is_extended: bool
    message: str | None
    sender: str | None = None

    @property
    def number(self) -> str:
        """The identifier as it is written."""
        return f"0x{self.identifier:x}"

    @property
    def name(self) -> str:
        """Name of the message, else the identifier."""
        return self.message or self.number


@dataclass(frozen=True)
class Wake:
    """A silent bus that woke: since when it was silent [s], when it woke, and who spoke first."""

    WRITTEN: ClassVar = "silent_from_s time_s=first.time_s first"

    silent_from_s: float
    first: Speaker


@dataclass(frozen=True, eq=False)
class Stop:
    """A moment in which all messages of a channel stayed away at once, and what their counters did meanwhile.

    Attributes
    ----------
    from_s, to_s
        The last frame before and the first one after [s].
    line
        Line of the latter.
    counters
        What the counters did meanwhile: ``stood`` where they went on by one, as if no time had passed; ``ran`` where
        they went on by the frames that should have come; else ``unknown``.
    """

    from_s: float
    to_s: float
    line: int
    counters: CountersDid


TOUCHED_S = 2.0
"""A bus that wakes so close [s] to the move of a control was woken by a person (our choice)."""


@dataclass(frozen=True, eq=False)
class QuietEvidence:
    """When the bus was awake: last frame [s] and who sent it, each wake, and shorter stops.

    Attributes
    ----------
    last
        Who spoke last; None for a recording without frames.
    wakes
        Each time the bus was silent and woke again.
    stops
        Shorter silences of a whole channel.
    backwards
        Frames whose stamp lies before that of the frame above them.
    off_s
        When the control that keeps the bus awake went off for the last time [s]; None where none is planned, it is
        still on, or it never was.
    allowed_s
        How long the bus may stay awake after that [s]; None where the plan does not say.
    too_late
        Frames later than that.
    last_change_s
        Last edge of an output [s]; None where none is known.
    touched_s
        When controls were found in another state than before, ascending [s].
    end_s
        End of the recording [s].
    """

    WRITTEN: ClassVar = "last_frame_s last wakes stops"

    last: Speaker | None = None
    wakes: tuple[Wake, ...] = ()
    stops: tuple[Stop, ...] = ()
    backwards: Places = field(default_factory=Places.none)
    off_s: float | None = None
    allowed_s: float | None = None
    too_late: Places = field(default_factory=Places.none)
    last_change_s: float | None = None
    touched_s: tuple[float, ...] = ()
    end_s: float = 0.0

    @property
    def stays_awake(self) -> bool:
        """Whether the bus did not fall silent in time, or was woken later though no control moved."""
        if self.off_s is None or self.allowed_s is None or not len(self.too_late):
            return False
        limit_s = self.off_s + self.allowed_s
        later = [each for each in self.wakes if each.first.time_s > self.off_s]
        by_itself = [each for each in later if each.first.time_s > limit_s and not self._was_touched(each)]
        return bool(by_itself) or not any(each.silent_from_s <= limit_s for each in later)

    def _was_touched(self, wake: Wake) -> bool:
        """Tell whether a control moved when the bus woke."""
        return any(abs(wake.first.time_s - each) <= TOUCHED_S for each in self.touched_s)

    @property
    def last_frame_s(self) -> float | None:
        """When the last frame came [s]."""
        return self.last.time_s if self.last else None
