"""Definitions: how the databases and a recording fit together, message by message and bit by bit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from canlens.nouns.tracks import Places


NearKind = Literal["format", "source-address", "hexadecimal", "digit"]
"""How two identifiers come to differ: 11 against 29 bits with one number; only the J1939 source address; a number
written as decimal that is hexadecimal; one digit, or two neighbouring digits exchanged."""


@dataclass(frozen=True)
class Near:
    """A near miss: an identifier on the other side that is nearly the same.

    Attributes
    ----------
    name
        Message of the database; empty where the other one stands in the recording.
    frames
        How often the other one was recorded; 0 where it is one of the database.
    """

    kind: NearKind
    identifier: int
    is_extended: bool
    name: str = ""
    frames: int = 0


@dataclass(frozen=True)
class UnlistedIdentifier:
    """An identifier that was recorded and that no database defines; ``places`` are its first frames."""

    identifier: int
    is_extended: bool
    frames: int
    places: Places
    near: Near | None = None


@dataclass(frozen=True)
class UnseenMessage:
    """A message of the databases of which no frame was recorded."""

    name: str
    identifier: int
    is_extended: bool
    near: Near | None = None


@dataclass(frozen=True)
class OtherLength:
    """A message whose usual payload length is not the declared one.

    Attributes
    ----------
    name, declared
        Message and its declared payload length [bytes].
    counts
        Payload length -> frames.
    lost
        Signals that the shortest frames do not hold.
    """

    name: str
    declared: int
    counts: dict[int, int]
    lost: tuple[str, ...]
    places: Places


@dataclass(frozen=True)
class StillSignal:
    """A signal whose bits never moved: path, raw value and frames."""

    path: str
    raw: float
    frames: int


@dataclass(frozen=True)
class UncoveredBits:
    """Bits of a message that moved though no signal lies there; DBC bit numbers, ``places`` the first move."""

    name: str
    bits: tuple[int, ...]
    places: Places


@dataclass(frozen=True)
class OddValue:
    """A signal with values that its definition does not know.

    Attributes
    ----------
    kind
        ``range`` (outside the declared one), ``table`` (no text for it), ``error`` or ``not-available`` (the J1939
        ranges with that meaning).
    count, frames
        Frames with such a value, and frames of the signal.
    declared
        The declared range in words, or the texts of the table; empty where there is none.
    """

    path: str
    unit: str
    kind: Literal["range", "table", "error", "not-available"]
    count: int
    frames: int
    least: float
    greatest: float
    declared: str
    places: Places


@dataclass(frozen=True)
class SwappedBytes:
    """A signal that moves smoothly only when its bytes are read in the other order.

    Attributes
    ----------
    moves
        How many changes were looked at.
    ratio
        How much longer the way of the declared value is than that of the other order.
    jumps
        Changes by a multiple of 256, more or less a few.
    """

    path: str
    moves: int
    ratio: float
    jumps: int
    places: Places


@dataclass(frozen=True, eq=False)
class DefinitionEvidence:
    """How the databases and a recording fit together.

    Attributes
    ----------
    messages
        Messages in the databases; 0 where there was nothing to compare, and then all else is empty.
    planned
        Names of the messages that the plan uses; None where there is no plan.
    unlisted, unseen
        Identifiers that stand only in the recording, messages that stand only in the databases.
    lengths, still, uncovered, odd_values, swapped
        What does not fit in those messages that came.
    by_group
        Message -> identifier under which it was found by its J1939 parameter group number.
    """

    messages: int = 0
    planned: frozenset[str] | None = None
    unlisted: tuple[UnlistedIdentifier, ...] = ()
    unseen: tuple[UnseenMessage, ...] = ()
    lengths: tuple[OtherLength, ...] = ()
    still: tuple[StillSignal, ...] = ()
    uncovered: tuple[UncoveredBits, ...] = ()
    odd_values: tuple[OddValue, ...] = ()
    swapped: tuple[SwappedBytes, ...] = ()
    by_group: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def concerns_plan(self, path: str) -> bool:
        """Tell whether a message, or the message of a path MESSAGE.SIGNAL, is one that the plan uses."""
        return self.planned is not None and path.partition(".")[0] in self.planned
