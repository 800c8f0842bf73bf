"""Cause words: the causes in the order and the form in which people read them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.causes import ALL
from canlens.reports import words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.findings import Cause

LIKELY = 0.5
"""A cause above this is named at the head of the page."""
OF_ONE_OUTPUT = ("supply-sag", "interference-from-output")
"""Faults outside the outputs that one output brings on when it turns on."""
ALIKE = 0.005
"""Probabilities that differ by less than what is printed are equal."""


def as_read(causes: Sequence[Cause]) -> list[Cause]:
    """Sort causes, the likeliest first, those that only differ in outputs never seen apart as one.

    Where outputs always turn on together, each is as likely as the others to bring on the fault: three causes of a
    third each are one that is nearly sure, at one of three outputs.
    """
    alike: defaultdict[tuple[str, int], list[Cause]] = defaultdict(list)
    for number, each in enumerate(causes):
        share = round(each.probability / ALIKE) if each.cause in OF_ONE_OUTPUT else -1 - number
        alike[each.cause, share].append(each)
    return sorted((_joined(each) for each in alike.values()), key=lambda each: -each.probability)


def _joined(causes: Sequence[Cause]) -> Cause:
    """Return several causes that cannot be told apart as one."""
    first, names = causes[0], [name for each in causes for name in each.subject]
    if len(causes) == 1:
        return first
    either = f"{', '.join(names[:-1])} or {names[-1]}"
    apart = f"Then unplug the loads of {', '.join(names[:-1])} and {names[-1]} one at a time to see with which it goes."
    return replace(
        first,
        subject=(either,),
        probability=min(sum(each.probability for each in causes), 1.0),
        because=(*first.because, f"{', '.join(names[:-1])} and {names[-1]} were never seen apart"),
        next_test=f"{first.next_test} {apart}" if first.next_test else apart,
    )


def cause_title(cause: Cause) -> str:
    """Return in plain words what is wrong; the name of a cause that the catalogue does not have."""
    page = next((each.docstring for each in ALL if each.name == cause.cause), f"{cause.cause}: {cause.cause}.")
    return page.partition("\n")[0].partition(": ")[2].rstrip(".")


def cause_name(cause: Cause) -> str:
    """Return a cause with what it concerns."""
    subject = f": {words.listed(cause.subject)}" if cause.subject else ""
    return f"{cause.cause}{subject} ({cause.scope})"


def likely_cause(causes: Sequence[Cause]) -> Cause | None:
    """Return the likeliest of some causes; None where none is likely, or it names no test."""
    likely = next(iter(as_read(causes)), None)
    return likely if likely is not None and likely.probability > LIKELY and likely.next_test else None


def likely_words(cause: Cause) -> str:
    """Say a cause in plain words, with its probability and its name."""
    subject = f"{words.listed(cause.subject)}: " if cause.subject else ""
    return f"{subject}{cause_title(cause)}, {cause.probability * 100:.0f} % ({cause.cause})"
