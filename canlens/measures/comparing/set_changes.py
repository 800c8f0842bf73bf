"""Set changes: identifiers that vanished or are new, payload lengths, and bits that stopped or began to move."""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING

from canlens.measures.comparing.significance import benjamini_hochberg, doubled_p
from canlens.results.compare import Change, NotCompared

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.measures.comparing.pairing import Pair, Side
    from canlens.nouns.baselines import ChannelBaseline, IdentifierBaseline, Key, State


EXPECTED_FRAMES = 3.0
"""A message on a beat that should have come so often and never did has vanished."""
LEVEL = 0.05
STRICT_LEVEL = 0.01
"""Of messages sent on events the chance that nothing happened counts; a small one, since events come together."""
USUAL_SHARE = 0.01
"""Payload lengths that make up less of the frames are not held against each other."""
FEWEST_BLOCKS = 6
MOVING_SHARE = 0.75
"""A bit moved before if it did in so many of the blocks, and stopped if it never did after."""


def membership(pair: Pair, *, controller: str | None) -> tuple[list[Change], list[NotCompared]]:
    """List the identifiers that came only before or only after.

    Parameters
    ----------
    pair
        A channel before and after.
    controller
        Node whose new messages are meant to be there.
    """
    changes: list[Change] = []
    open_ends: list[NotCompared] = []
    sides = ((pair.before, pair.after, True), (pair.after, pair.before, False))
    for own, other, vanished in sides:
        known = {each.key for each in other.channel.identifiers}
        lone = [each for each in own.channel.identifiers if each.key not in known]
        silent = _silent_nodes(own.channel, known)
        for each in lone:
            chance = _chance(each, own, other)
            if chance is not None and chance > STRICT_LEVEL:
                open_ends.append(_too_seldom(each, own, other, vanished=vanished))
                continue
            change = _member(pair.name, each, own.channel, chance, silent, vanished=vanished, controller=controller)
            changes.append(change)
    return changes, open_ends


def all_gone(channel: ChannelBaseline) -> list[Change]:
    """List all identifiers of a channel as vanished: the later recording holds no frames."""
    silent = _silent_nodes(channel, set())
    return [
        _member(channel.name, each, channel, None, silent, vanished=True, controller=None)
        for each in channel.identifiers
    ]


def _silent_nodes(channel: ChannelBaseline, known: set[Key]) -> Counter[str]:
    """Count the messages of each node of which not one came in the other recording."""
    every: Counter[str] = Counter(_node(each) or "" for each in channel.identifiers)
    heard = {_node(each) for each in channel.identifiers if each.key in known}
    return Counter({node: number for node, number in every.items() if node and node not in heard})


def _node(each: IdentifierBaseline) -> str | None:
    """Return who sends a message, where only one node can."""
    return each.senders[0] if len(each.senders) == 1 else None


def _chance(each: IdentifierBaseline, own: Side, other: Side) -> float | None:
    """Return the chance that none came in the other recording; None where a beat makes a test needless."""
    came = int(each.in_block[own.inside].sum())
    if each.has_beat and came / max(own.seconds, 1.0) * other.seconds >= EXPECTED_FRAMES:
        return None
    times = int((each.in_block[own.inside] > 0).sum())
    return doubled_p(times, own.seconds, 0, other.seconds)


def _too_seldom(each: IdentifierBaseline, own: Side, other: Side, *, vanished: bool) -> NotCompared:
    """Say that an identifier came too seldom for its absence to mean anything."""
    when, lacking = ("before", "after") if vanished else ("after", "before")
    seen = f"in {own.seconds:.0f} s, and never {lacking}, in {other.seconds:.0f} s"
    return NotCompared(
        what=f"whether {' '.join(each.subject)} {'has vanished' if vanished else 'is new'}",
        why=f"it came {each.frames} times {when}, {seen}; it may just not have been due",
        needed="Make both recordings longer, and do the same things in both.",
    )


def _member(
    name: str,
    each: IdentifierBaseline,
    channel: ChannelBaseline,
    chance: float | None,
    silent: Counter[str],
    *,
    vanished: bool,
    controller: str | None,
) -> Change:
    rate = each.frames / max(channel.awake_s, 1e-3)
    node = _node(each)
    explained = f"the controller {controller}" if not vanished and controller and controller in each.senders else None
    words = "is gone" if vanished else "is new"
    gone = "are gone" if vanished else "are new"
    often = "1 frame" if f"{rate:.3g}" == "1" else f"{rate:.3g} frames"
    whole = ""
    if node and node in silent:
        whole = (
            f"; all {silent[node]} messages of {node} {gone}"
            if silent[node] > 1
            else f"; all that {node} sends {words}"
        )
    sender = f" of {node}" if node and not whole else ""
    return Change(
        change="identifier-vanished" if vanished else "identifier-new",
        subject=each.subject,
        before=rate if vanished else 0.0,
        after=0.0 if vanished else rate,
        size=-1.0 if vanished else None,
        p=chance,
        explained_by=explained,
        quantity="frames",
        unit="1/s",
        direction="worse" if vanished else "neither",
        channel=name,
        node=node,
        sentence=f"{' '.join(each.subject)}{sender} {words}: {often} a second "
        f"{'before, none after' if vanished else 'after, none before'}{whole}",
    )


def payload_lengths(pair: Pair) -> list[Change]:
    """List the identifiers whose payload length changed."""
    out = []
    for before, after in pair.identifiers:
        one, other = _usual_lengths(before), _usual_lengths(after)
        if one == other or (one & other and before.usual_length == after.usual_length):
            continue
        first, second = before.usual_length, after.usual_length
        out.append(
            Change(
                change="payload-length",
                subject=before.subject,
                before=float(first),
                after=float(second),
                size=second / first - 1 if first else None,
                quantity="payload length",
                unit="bytes",
                channel=pair.name,
                node=_node(before),
                sentence=f"{' '.join(before.subject)} carries {second} bytes instead of {first}",
            )
        )
    return out


def _usual_lengths(each: IdentifierBaseline) -> set[int]:
    total = sum(each.lengths.values())
    return {length for length, count in each.lengths.items() if count >= USUAL_SHARE * total}


def payload_bits(pair: Pair) -> list[Change]:
    """List the identifiers of which bits that moved all the time stand still, or the other way round."""
    found: list[tuple[IdentifierBaseline, list[int], bool, float]] = []
    for before, after in pair.identifiers:
        for first, second, stopped in ((before, after, True), (after, before, False)):
            bits, chance = _stopped(first, second, pair.state)
            if bits:
                found.append((before, bits, stopped, chance))
    adjusted = benjamini_hochberg([chance for *_, chance in found])
    return [
        _bits_change(pair, each, bits, float(chance), stopped=stopped)
        for (each, bits, stopped, _), chance in zip(found, adjusted, strict=True)
        if chance < LEVEL
    ]


def _stopped(first: IdentifierBaseline, second: IdentifierBaseline, state: State) -> tuple[list[int], float]:
    """Return the bits that move in the first and not in the second, and the chance of that for the clearest one.

    If blocks are dealt out at random, all blocks in which the bit moves fall to the first with this chance.
    """
    blocks, others = first.moved_of.get(state, 0), second.moved_of.get(state, 0)
    if min(blocks, others) < FEWEST_BLOCKS:
        return [], 1.0
    still = second.moved.get(state, ())
    moving = {
        bit: count
        for bit, count in enumerate(first.moved.get(state, ()))
        if count >= MOVING_SHARE * blocks and not _moves(still, bit) and not any(_moves(still, b) for b in _below(bit))
    }
    if not moving:
        return [], 1.0
    most = max(moving.values())
    return list(moving), 2 * math.comb(blocks, most) / math.comb(blocks + others, most)


def _moves(counts: tuple[int, ...], bit: int) -> bool:
    """Tell whether a bit moved in any block."""
    return bit < len(counts) and counts[bit] > 0


def _below(bit: int) -> tuple[int, ...]:
    """Return the bits that may be next below one in the same number, in either byte order.

    Where such a one still moves, the number lives, and merely stays on one side of a power of two.
    """
    return (bit - 1,) if bit % 8 else (bit - 1, bit + 15) if bit else (bit + 15,)


def _bits_change(pair: Pair, each: IdentifierBaseline, bits: list[int], chance: float, *, stopped: bool) -> Change:
    noun = "bit" if len(bits) == 1 else "bits"
    verb = ("stands" if len(bits) == 1 else "stand") + " still" if stopped else ("moves" if len(bits) == 1 else "move")
    return Change(
        change="payload-bits",
        subject=each.subject,
        before="moving" if stopped else "constant",
        after="constant" if stopped else "moving",
        size=float(len(bits)),
        p=chance,
        quantity="payload bits",
        unit="bits",
        channel=pair.name,
        node=_node(each),
        sentence=f"{' '.join(each.subject)}: {noun} {_ranges(bits)} {verb} now",
    )


def _ranges(bits: Iterable[int]) -> str:
    """Say numbers with neighbours put together, as in ``3, 8 to 15``."""
    told: list[list[int]] = []
    for bit in bits:
        if told and bit == told[-1][1] + 1:
            told[-1][1] = bit
        else:
            told.append([bit, bit])
    return ", ".join(str(low) if low == high else f"{low} to {high}" for low, high in told)
