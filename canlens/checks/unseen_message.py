"""unseen-message: messages of the databases never came.

Looks for
    Messages without a single frame in a recording that has traffic. Those that the plan needs are told by
    missing-message.
Why it matters
    A database of another model year, or of another bus of the vehicle, fits only in part.
Evidence
    How many messages, their names and identifiers.
Cannot tell
    Whether they are sent on another bus, on demand, or not at all.
Next step
    If hardly any message of the database came, look for the database that belongs to this bus.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import UnseenMessage


FEW = 0.2
"""A database of which less than this share came is probably that of another bus (our choice)."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages that never came, in one finding."""
    definitions = evidence.definitions
    unseen = [each for each in definitions.unseen if not definitions.concerns_plan(each.name)]
    if not unseen:
        return
    whole = definitions.messages
    is_foreign = whole - len(definitions.unseen) < FEW * whole
    word = "message" if whole == 1 else "messages"
    yield Finding(
        check="unseen-message",
        severity="warning" if is_foreign else "note",
        subject=(),
        claim=f"{len(unseen)} of the {whole} {word} in the databases never came: {some(map(_name, unseen))}.",
        cannot_tell="Whether they are sent on another bus, on demand, or not at all.",
        next_step="Look for the database that belongs to this bus."
        if is_foreign
        else "Nothing, if none of them is needed.",
        would_change="Frames of these messages.",
    )


def _name(message: UnseenMessage) -> str:
    return f"{message.name} (0x{message.identifier:x})"


CHECK = BusCheck("unseen-message", find)
