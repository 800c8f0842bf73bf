"""Near misses: identifiers of the recording and of the databases that differ by a slip of the pen."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from canlens.definition_evidence import Near
from canlens.measures.identifiers import parameter_group

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from canlens.definition_evidence import NearKind
    from canlens.signals.lookup import Key

SOURCE_ADDRESS = 0xFF
MOST_BASE = 0x7FF
BASE_DIGITS, EXTENDED_DIGITS = 3, 8
"""Hexadecimal digits of an identifier of 11 and of 29 bits."""


def near_misses(own: Iterable[Key], others: Mapping[Key, int]) -> dict[Key, tuple[NearKind, Key]]:
    """Find for identifiers of one side the nearly equal one of the other side.

    Parameters
    ----------
    own
        Identifiers of one side that stand nowhere on the other.
    others
        The same of the other side, with their payload length [bytes].

    Returns
    -------
    dict
        Own identifier -> how the other one differs, and the other one. The surest kind counts; one digit apart counts
        only where a single identifier is, since neighbours in number are common.
    """
    by_source: defaultdict[int, list[Key]] = defaultdict(list)
    for identifier, is_extended in others:
        if is_extended:
            by_source[identifier & ~SOURCE_ADDRESS].append((identifier, True))
    found: dict[Key, tuple[NearKind, Key]] = {}
    for key in own:
        near = _near(key, others, by_source)
        if near is not None:
            found[key] = near
    return found


def _near(key: Key, others: Mapping[Key, int], by_source: Mapping[int, list[Key]]) -> tuple[NearKind, Key] | None:
    identifier, is_extended = key
    if (identifier, not is_extended) in others:
        return "format", (identifier, not is_extended)
    if is_extended and (sources := by_source.get(identifier & ~SOURCE_ADDRESS)):
        return "source-address", sources[0]
    for other in _misread(identifier):
        if (other, is_extended) in others:
            return "hexadecimal", (other, is_extended)
    digits = sorted({(other, is_extended) for other in _slips(identifier, is_extended=is_extended)} & set(others))
    return ("digit", digits[0]) if len(digits) == 1 else None


def _misread(identifier: int) -> Iterator[int]:
    """Return what a number becomes that was written as decimal though hexadecimal, and the other way round."""
    yield int(str(identifier), 16)
    if (digits := f"{identifier:x}").isdecimal():
        yield int(digits)


def _slips(identifier: int, *, is_extended: bool) -> Iterator[int]:
    """Return the numbers with one other hexadecimal digit, or with two neighbouring digits exchanged."""
    count = EXTENDED_DIGITS if is_extended else BASE_DIGITS
    for place in range(count):
        digit = identifier >> 4 * place & 0xF
        for other in range(16):
            if other != digit:
                yield identifier ^ (digit ^ other) << 4 * place
        if place + 1 < count:
            both = digit ^ (identifier >> 4 * (place + 1) & 0xF)
            if both:
                yield identifier ^ both << 4 * place ^ both << 4 * (place + 1)


def with_same_length(
    found: Mapping[Key, tuple[NearKind, Key]], own: Mapping[Key, int], others: Mapping[Key, int]
) -> dict[Key, tuple[NearKind, Key]]:
    """Keep slips of a digit only where both sides have the same payload length [bytes]."""
    return {
        key: (kind, other)
        for key, (kind, other) in found.items()
        if kind not in {"digit", "hexadecimal"} or own[key] == others[other]
    }


def near(kind: NearKind, key: Key, *, name: str = "", frames: int = 0) -> Near:
    """Return a near miss as evidence."""
    return Near(kind, key[0], key[1], name, frames)


def same_group(identifier: int, other: int) -> bool:
    """Tell whether two 29-bit identifiers carry the same J1939 parameter group.

    Examples
    --------
    >>> same_group(0x18FEF100, 0x0CFEF121), same_group(0x18FEF100, 0x18FEF200)
    (True, False)
    """
    return parameter_group(identifier) == parameter_group(other)
