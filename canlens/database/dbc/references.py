"""Entries about a message or a signal: those that lead nowhere are found before the parser refuses them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canlens.database.dbc.messages import FLAG_EXTENDED
from canlens.database.dbc.names import legal_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database.dbc.messages import MessageEntry


NEAR = 0.6
"""How alike a name must be to be offered instead (our choice, that of difflib)."""


@dataclass(frozen=True)
class Found:
    """Where a reference leads.

    Attributes
    ----------
    message
        The message; None where it leads to none.
    expected
        What was expected and not met; empty where all is well.
    mend
        The likely mend, as a sentence; may be empty.
    is_lost
        Whether it leads to a message that is not used, which was already said.
    """

    message: MessageEntry | None
    expected: str = ""
    mend: str = ""
    is_lost: bool = False


@dataclass
class Directory:
    """Messages by number, and signals by name."""

    messages: Sequence[MessageEntry]
    _by_number: dict[int, list[MessageEntry]] = field(default_factory=dict)
    _owners: dict[str, list[MessageEntry]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for message in self.messages:
            for number in {message.number, message.written}:
                self._by_number.setdefault(number, []).append(message)
            for signal in message.signals:
                self._owners.setdefault(signal.name, []).append(message)

    def find(self, number: int, name: str | None = None) -> Found:
        """Follow a number, and the name of a signal if the entry is about one."""
        messages = self._by_number.get(number, [])
        expected = ""
        if not messages:
            messages = self._by_number.get(number ^ FLAG_EXTENDED, [])
            expected = f"the number {number ^ FLAG_EXTENDED}, with which the message is defined"
        if any(not message.is_used for message in messages):
            return Found(None, is_lost=True)
        if not messages:
            return Found(None, f"a message with the number {number}", self._elsewhere(name))
        wanted = None if name is None else legal_name(name)
        owner = next((one for one in messages if wanted is None or one.signal(wanted)), None)
        if owner is not None:
            mend = f"Write {owner.written} instead of {number}." if expected else ""
            return Found(owner, expected, mend)
        return Found(None, f"a signal {name} in message {messages[0].name}", self._close(wanted or "", messages))

    def owner_of(self, name: str) -> MessageEntry | None:
        """Return the only message with a signal of that name; None where there is none, or more than one."""
        owners = self._owners.get(name, [])
        return owners[0] if len(owners) == 1 else None

    def _elsewhere(self, name: str | None) -> str:
        owner = self.owner_of(name) if name else None
        return f"{name} is a signal of message {owner.name}: perhaps write {owner.written}." if owner else ""

    def _close(self, name: str, messages: list[MessageEntry]) -> str:
        names = [signal.name for message in messages for signal in message.signals]
        alike = [other for other in names if other.lower() == name.lower()] or _nearest(name, names)
        return f"Perhaps {alike[0]} is meant." if alike else self._elsewhere(name)


def _nearest(name: str, names: list[str]) -> list[str]:
    from difflib import get_close_matches  # noqa: PLC0415 – only those pay who mistyped a name

    return get_close_matches(name, names, n=1, cutoff=NEAR)
