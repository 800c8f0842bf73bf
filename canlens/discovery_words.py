"""Discovery words: what was found of a control, and what to do next, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.discovering.aligning import NAMED_AT
from canlens.measures.discovering.needing import LEAST_RESTS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.discovery_results import Candidate, ControlDiscovery, Place

HARDLY = 0.5
"""A place that chance equals this often is no lead."""
RARE = 1e-6


def is_lead(best: Candidate, exercises: int) -> bool:
    """Tell whether a place is worth following up: chance seldom does as well, or it has missed nothing so far."""
    return best.chance <= HARDLY or (best.answered == exercises and not best.stray)


def sentence_of(controls: Mapping[str, ControlDiscovery]) -> str:
    """Say in one sentence what was found of all controls."""
    named = [name for name, each in controls.items() if each.named]
    rest = [name for name in controls if name not in named]
    if not rest:
        many = "The control was named" if len(named) == 1 else f"All {len(named)} controls were named"
        return f"{many}: {', '.join(named)}."
    if not named:
        return f"Nothing was named for {', '.join(rest)}."
    return f"Named: {', '.join(named)}. Not named: {', '.join(rest)}."


def place_words(place: Place) -> str:
    """Name a place: message, byte and bits, and the value that means on."""
    name = f" ({place.message})" if place.message else ""
    byte, bit = divmod(place.start_bit, 8)
    last = bit + place.length - 1
    bits = f"bit {bit}" if place.length == 1 else f"bits {bit} to {last}"
    if place.length == 8 and not bit:  # noqa: PLR2004 – a whole byte
        where = f"byte {byte}"
    elif place.length > 8 - bit:
        other = byte + (-1 if place.byte_order == "motorola" else 1)
        where = f"bytes {byte} and {other}"
    else:
        where = f"byte {byte}, {bits}"
    return f"{place.identifier}{name}, {where}, {meaning(place)}"


def meaning(place: Place) -> str:
    """Say when a place is on."""
    if place.above is not None:
        return f"above {place.above}"
    if place.below is not None:
        return f"below {place.below}"
    return f"on = {place.on}"


def chance_words(chance: float) -> str:
    """Say how often chance alone would do as well.

    Examples
    --------
    >>> chance_words(0.0004), chance_words(1e-9), chance_words(0.7)
    ('once in 2500 searches', 'less than once in a million searches', 'in 70 % of searches')
    """
    if chance < RARE:
        return "less than once in a million searches"
    if chance < 0.1:  # noqa: PLR2004 – a matter of reading
        return f"once in {float(f'{1 / chance:.2g}'):.0f} searches"
    return f"in {100 * chance:.0f} % of searches"


def latency_words(each: Candidate) -> str:
    """Say how late a place followed; empty where it is not known."""
    if each.latency_s is None:
        return ""
    since = "the mark" if each.latency_from == "mark" else "the quickest answer"
    return f"{1000 * each.latency_s:.0f} ms after {since}"


def reason_of(row: ControlDiscovery, *, bits: int, shared_with: Sequence[str], known: bool) -> str:
    """Say why a control is named, or why not."""
    best = row.candidates[0] if row.candidates else None
    if best is None or not is_lead(best, row.exercises):
        return _nothing(row, best, bits, known=known)
    told = f"{place_words(best)}: on and off in {best.answered} of {row.exercises} exercises and {_stray(row, best)}"
    if row.named:
        return f"{told}. One of the {bits} bits that change would do so by chance {chance_words(best.chance)}."
    if shared_with:
        return f"{told}. It follows {', '.join(shared_with)} as well, so it cannot be told whose it is."
    if best.chance <= NAMED_AT and best.shift_chance is not None:
        return (
            f"{told}. Shifted against the recording the marks fit as well in {100 * best.shift_chance:.0f} % of tries."
        )
    return f"{told}. That is too little to name it: it happens by chance {chance_words(best.chance)}."


def _stray(row: ControlDiscovery, best: Candidate) -> str:
    """Say in how many slots without the control a place went on all the same."""
    alone = row.rests + row.others
    if not alone:
        return "no slot was left alone to compare"
    return f"in {best.stray or 'none'} of {alone} slots without it"


def _nothing(row: ControlDiscovery, best: Candidate | None, bits: int, *, known: bool) -> str:
    """Say that nothing was found, and how near the best came."""
    if not bits:
        return "No payload changes in this recording."
    if best is None:
        which = "none that the database does not know" if known else "none"
        return f"Of the {bits} bits that change, {which} went on and off with it."
    return (
        f"None of the {bits} bits that change follows it beyond chance. The best, {place_words(best)}, went along in "
        f"{best.answered} of {row.exercises} exercises and {_stray(row, best)}; some bit does as well by chance "
        f"{chance_words(best.chance)}."
    )


def step_of(row: ControlDiscovery, *, shared_with: Sequence[str]) -> str:
    """Say what to do next."""
    if row.named:
        return (
            "Confirm it: operate the control once more and see these bits change. Marked operations tell what follows "
            "a control, not what causes what."
        )
    if shared_with:
        return f"Operate it and {', '.join(shared_with)} in slots of their own, drawn at random."
    more = row.more_exercises
    if more is None:
        return (
            "More exercises would hardly settle it: the control may not speak on this bus. Record another bus or "
            "channel, and check that marks and recording belong together."
        )
    if row.strength == "weaker":
        return (
            f"Record a session of {more} exercises in {(1 + LEAST_RESTS) * more} slots drawn at random, and mark the "
            "slots left alone as rest: that can be tested exactly."
        )
    best = row.candidates[0] if row.candidates else None
    if best is None or not is_lead(best, row.exercises):
        return (
            "If this session was done with care, the control may not speak on this bus: record another bus or channel. "
            f"A new session needs {more} answered exercises in {(1 + LEAST_RESTS) * more} slots to name a bit."
        )
    many = "One more exercise" if more == 1 else f"{more} more exercises"
    return f"{many}, all answered, with {LEAST_RESTS} slots left alone to each, would settle it."
