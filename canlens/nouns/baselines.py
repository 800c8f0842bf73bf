"""Baselines: one recording cut down to what a later one can be compared with.

The recording's time is cut into blocks of five seconds; a block in which a channel was silent all through is left out.
Every column of a channel, and of the identifiers on it, has one entry for each of the channel's blocks. All entries are
whole numbers, so that a baseline that was kept in a file is the same to the last digit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final, Literal

import numpy as np

from canlens.nouns.bus import Recorded, RecordingResult
from canlens.nouns.messages import Kind

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


BASELINE_SCHEMA: Final = "canlens/baseline/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""
State = Literal["on", "off", "awake"]
"""What the control that keeps the bus awake did; ``awake`` where only the traffic tells."""

BLOCK_S = 5.0
"""Length of a block [s]: several times longer than a load usually swings, so that blocks can be exchanged for each
other (measured: blocks of one or three seconds give several times too many false alarms for jitter)."""
FULL_S = 4.5
"""A block counts as full when its channel was awake in it for so long [s]."""
STEP_S = 1e-7
"""Unit of the spread of intervals."""
FINE_STEP_S = 1e-8
"""Unit of cycle times."""
WORTH_STEP = 0.01
"""Unit of what is known of jitter [frames]."""

Key = tuple[int, bool, bool]
"""An identifier, whether it has 29 bits, and whether these are remote frames."""


@dataclass(frozen=True, eq=False)
class IdentifierBaseline:
    """One identifier on one channel; columns have k entries, one for each block of the channel.

    Attributes
    ----------
    message, senders
        Name and transmitting nodes as the database has them; None and empty without one.
    cycle, declared_s
        Fitted cycle in :data:`FINE_STEP_S`, 0 where there is no beat; declared one [s], None where there is none.
    lengths
        Payload length [bytes] → how often.
    busy_us
        How long it held the bus [µs]; 0 where the bit rate is unknown.
    in_block, on_beat
        int64 (k,): frames; intervals between half and one and a half cycles.
    slope
        int64 (k,): fitted cycle of the block less ``cycle``, in :data:`FINE_STEP_S`.
    worth, square
        int64 (k,): how many frames' worth is known of its own jitter, in :data:`WORTH_STEP`; and the squared deviations
        of its intervals, the waits for the bus taken out, added up over these, in the square of :data:`STEP_S`. By
        chance the latter may be negative.
    gaps
        int64 (k,): times that it stayed away though others came.
    moved
        State of the blocks → in how many of them each bit moved; bit n is the DBC bit number n.
    moved_of
        State of the blocks → in how many of them two frames or more came, so that a bit could move.
    """

    identifier: int
    is_extended: bool
    is_remote: bool
    message: str | None
    senders: tuple[str, ...]
    frames: int
    kind: Kind
    cycle: int
    declared_s: float | None
    lengths: dict[int, int]
    busy_us: int
    in_block: Ints
    on_beat: Ints
    slope: Ints
    worth: Ints
    square: Ints
    gaps: Ints
    moved: dict[State, tuple[int, ...]]
    moved_of: dict[State, int]

    @property
    def key(self) -> Key:
        """What tells it apart from others on its channel."""
        return (self.identifier, self.is_extended, self.is_remote)

    @property
    def has_beat(self) -> bool:
        """Whether it is sent on a beat, alone or among other frames."""
        return self.kind in {"cyclic", "mixed"} and self.cycle > 0

    @property
    def usual_length(self) -> int:
        """The payload length that came most often [bytes]."""
        return max(self.lengths, key=lambda length: (self.lengths[length], length))

    @property
    def squares(self) -> Floats:
        """float64 (k, 2): of each block the intervals' squared deviations [s²], and how many frames they rest on."""
        return np.stack([self.square * STEP_S**2, self.worth * WORTH_STEP], axis=1)

    @property
    def subject(self) -> tuple[str, ...]:
        """The identifier as results write it, and the name of its message where it has one."""
        number = f"0x{self.identifier:x}"
        return (number, self.message) if self.message else (number,)


@dataclass(frozen=True, eq=False)
class ChannelBaseline:
    """One channel of a recording.

    Attributes
    ----------
    bit_rate
        [bit/s]; None where it is unknown.
    recorded, recorded_because
        Whether errors were recorded, and how that can be known.
    start_ms, awake_ms
        int64 (k,): start of each block since the first frame, and how long the channel was awake in it [ms].
    control
        One sign for each block: what the control that keeps the bus awake did in it: ``1`` on, ``0`` off, ``~`` it
        changed or is not known; empty where none is planned.
    busy_us
        int64 (k,): how long frames held the bus [µs]; zeros where the bit rate is unknown.
    episodes, error_records
        int64 (k,): error episodes that began in each block, and error records.
    """

    name: str
    bit_rate: int | None
    recorded: Recorded
    recorded_because: str
    start_ms: Ints
    awake_ms: Ints
    control: str
    busy_us: Ints
    episodes: Ints
    error_records: Ints
    identifiers: tuple[IdentifierBaseline, ...]

    @property
    def awake_s(self) -> float:
        """How long the channel was awake [s]."""
        return float(self.awake_ms.sum()) / 1000

    @property
    def seconds(self) -> Floats:
        """float64 (k,): how long it was awake in each block [s]."""
        return self.awake_ms / 1000

    def in_state(self, state: State) -> Bools:
        """Bool (k,): which blocks have a state; ``awake`` is all of them."""
        if state == AWAKE:
            return np.ones(len(self.start_ms), np.bool_)
        wanted = STATES[state]
        return np.array([sign == wanted for sign in self.control], np.bool_)

    @property
    def states(self) -> tuple[State, ...]:
        """The states in which its blocks can be told apart."""
        return (*(state for state, sign in STATES.items() if sign in self.control), AWAKE)


AWAKE: State = "awake"
"""State of blocks of which only the traffic is known."""
STATES: dict[State, str] = {"on": "1", "off": "0"}
"""States of blocks whose control is known, and their signs."""
CHANGING = "~"


@dataclass(frozen=True)
class QuietBaseline:
    """End of a recording: from the control's going off to the last frame [s], and how long was recorded after it."""

    after_s: float
    listened_s: float


@dataclass(frozen=True, eq=False)
class Baseline:
    """One recording cut down.

    Attributes
    ----------
    recording
        What was read.
    channels
        In order of first appearance.
    quiet
        How long the bus stayed awake after its control; None where that cannot be told.
    is_kept
        Whether it was read from a file, so that there is no recording behind it.
    """

    WRITTEN: ClassVar = "schema recording channels quiet"

    recording: RecordingResult
    channels: tuple[ChannelBaseline, ...]
    quiet: QuietBaseline | None = None
    is_kept: bool = False

    @property
    def schema(self) -> Literal["canlens/baseline/1"]:
        """Name of the written form."""
        return BASELINE_SCHEMA

    @property
    def frames(self) -> int:
        """Data and remote frames."""
        return sum(each.frames for channel in self.channels for each in channel.identifiers)
