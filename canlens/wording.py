"""Wording: names, counts, sentences, figures and enumerations, each said in one way wherever canlens speaks."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

# Names and counts.


def listed(names: Iterable[str], *, last: str = "and") -> str:
    """Say names as a person lists them; nothing where there are none.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"], last="or")
    ('a', 'a and b', 'a, b or c')
    """
    *first, end = tuple(names) or ("",)
    return f"{', '.join(first)} {last} {end}" if first else end


def some(names: Iterable[str], *, most: int = 5, joint: str = ", ") -> str:
    """Say names one after the other; of many the first, and how many more there are.

    Examples
    --------
    >>> some(["a", "b"]), some("abcd", most=2)
    ('a, b', 'a, b and 2 more')
    """
    every = list(names)
    return joint.join(every[:most]) + (f" and {len(every) - most} more" if len(every) > most else "")


def counted(number: int, noun: str, plural: str = "") -> str:
    """Say a number with its noun.

    Examples
    --------
    >>> counted(1, "output"), counted(2, "output"), counted(0, "entry", "entries")
    ('1 output', '2 outputs', '0 entries')
    """
    return f"{number} {noun if number == 1 else plural or f'{noun}s'}"


def times(number: int) -> str:
    """Say how often.

    Examples
    --------
    >>> times(1), times(4)
    ('once', '4 times')
    """
    return "once" if number == 1 else f"{number} times"


# Sentences.


def sentence(text: str) -> str:
    """Close a text with a full stop where it has no mark at its end.

    Examples
    --------
    >>> sentence("0 of 5 exercises answered"), sentence("Measure.")
    ('0 of 5 exercises answered.', 'Measure.')
    """
    return text if not text or text[-1] in ".!?:;" else f"{text}."


def capital(text: str) -> str:
    """Begin a text with a capital, unless its first word is a name of somebody's own.

    Examples
    --------
    >>> capital("operate horn twice."), capital("horn_2 stays off.")
    ('Operate horn twice.', 'horn_2 stays off.')
    """
    return text[:1].upper() + text[1:] if text.partition(" ")[0].rstrip(",.;").isalpha() else text


# Figures: one rounding for each kind.


UNKNOWN = "unknown"
"""What is said for a figure that nobody knows."""
NONE = "–"
"""What stands in the cell of a table where there is no figure."""


def seconds(value: float | None) -> str:
    """Say a moment or a length of a recording [s], to the millisecond, without its unit."""
    return NONE if value is None else f"{value:.3f}"


def milliseconds(value: float | None) -> str:
    """Say a latency or an interval [s] in ms, to three digits, without its unit.

    Examples
    --------
    >>> milliseconds(0.0623), milliseconds(0.1204), milliseconds(None)
    ('62.3', '120', '–')
    """
    if value is None:
        return NONE
    return f"{value * 1000:.1f}" if value < 0.1 else f"{value * 1000:.0f}"  # noqa: PLR2004 – three digits are enough


def short_time(value: float) -> str:
    """Say a latency or an interval [s] to three digits, with its unit.

    Examples
    --------
    >>> short_time(0.0623), short_time(1.25), short_time(math.nan)
    ('62.3 ms', '1.25 s', 'unknown')
    """
    return quantity(value, "s") if abs(value) >= 1 else quantity(value * 1000, "ms")


def quantity(value: float, unit: str) -> str:
    """Say what was measured to three digits, with its unit; nan is unknown."""
    return UNKNOWN if math.isnan(value) else f"{value:.3g} {unit}"


def percent(ratio: float | None) -> str:
    """Say a ratio such as a bus load, to a tenth of a percent; None and nan are unknown."""
    return UNKNOWN if ratio is None or math.isnan(ratio) else f"{ratio * 100:.1f} %"


def likelihood(probability: float) -> str:
    """Say a probability in whole percent."""
    return f"{probability * 100:.0f} %"


def chance_words(chance: float, *, of: str = "searches", least: float = 1e-6) -> str:
    """Say how often chance alone would do as well; below the ``least`` that a model is trusted with, no number.

    Examples
    --------
    >>> chance_words(0.0004), chance_words(1e-9, of="tries"), chance_words(0.7)
    ('once in 2500 searches', 'less than once in a million tries', 'in 70 % of searches')
    """
    if chance < least:
        return f"less than once in {'a million' if least == 1e-6 else f'{1 / least:.0f}'} {of}"  # noqa: PLR2004
    if chance < 0.1:  # noqa: PLR2004 – a matter of reading
        return f"once in {float(f'{1 / chance:.2g}'):.0f} {of}"
    return f"in {likelihood(chance)} of {of}"


# Enumerations: the words for each value that a result can hold; tests hold their keys against the results.


SEVERITIES = {"failure": "FAILURE", "warning": "WARNING", "note": "NOTE"}
SEVERITY_ORDER = tuple(SEVERITIES)
"""In order of weight, the worst first."""

VERDICTS = {
    "proven": "PROVEN",
    "failed": "FAILED",
    "not-proven": "NOT PROVEN",
    "no-failure-found": "WELL",
    "failure-found": "NOT WELL",
    "too-poor": "CANNOT TELL",
    "no-change-seen": "NO CHANGE SEEN",
    "changed": "CHANGED",
    "better": "BETTER",
    "worse": "WORSE",
    "not-comparable": "NOT COMPARABLE",
    "named": "EVERY CONTROL NAMED",
    "not-named": "NOT EVERY CONTROL NAMED",
}
"""Of check, survey, compare and discover."""
VERDICT_SIGNS = {
    **dict.fromkeys(("proven", "no-failure-found", "no-change-seen", "better", "named"), "seen"),
    **dict.fromkeys(("failed", "failure-found", "changed", "worse"), "broken"),
    **dict.fromkeys(("not-proven", "too-poor", "not-comparable", "not-named"), "cannot-tell"),
}
"""The state of a link whose sign a verdict shares."""

LINK_STATES = {"seen": ("✓", "seen"), "broken": ("✗", "broken"), "cannot-tell": ("?", "cannot tell")}
"""Sign and word."""
LINKS = {
    "traffic": "bus traffic",
    "control-message": "control message",
    "control-change": "control changes",
    "controller": "controller alive",
    "noticed": "control noticed",
    "commanded": "output commanded",
    "output": "output reacts",
    "load": "load works",
    "release": "stops as planned",
}
"""The links of the chain in order, each by a short plain name."""
LINK_BREAKS = {
    "traffic": "no usable traffic",
    "control-message": "its control's message is not here",
    "control-change": "its control's signal does not move",
    "controller": "the controller is not heard",
    "noticed": "the controller does not see the control",
    "commanded": "not commanded as planned",
    "output": "commanded, but does not react",
    "load": "the load does not work",
    "release": "does not stop as planned",
}
"""What is wrong where a link is the first one that is broken; said of the output."""
OPEN_LINKS = {
    "traffic": "whether the bus carries traffic",
    "control-message": "whether the control's message comes",
    "control-change": "whether the control's signal moves",
    "controller": "whether the controller is alive",
    "noticed": "whether the controller notices the control",
    "commanded": "whether it is switched when it should be",
    "output": "whether voltage and current reach it",
    "load": "whether the load works: look, listen, measure",
    "release": "whether it stops when it should",
}
"""What a link that was not shown leaves open, in a customer's words."""

OUTCOMES = {
    "answered": "answered in time",
    "late": "late answer",
    "unanswered": "no answer",
    "too-short": "too short to tell",
    "still-on": "was still on",
    "unasked": "came on unasked",
    "dropped": "went off by itself",
}
"""What became of an exercise, and what an output did without one."""

MESSAGE_KINDS = {"cyclic": "cyclic", "mixed": "both", "event-driven": "on change", "too-few": "too few"}
"""How a message is sent."""

BIT_RATE_SOURCES = {"given": "as given", "inferred": "inferred from the recording", "unknown": "of unknown source"}
NOT_NONE = "which is not the same as none"
"""What is said where there is no error frame and none need have been recorded."""
ERROR_FRAMES_RECORDED = {
    "yes": "none",
    "no": f"not recorded, {NOT_NONE}",
    "unknown": f"none recorded, {NOT_NONE}",
}
"""What it means that a recording holds no error frames, by whether it could hold them."""
ERROR_CLASSES = {
    "tx-timeout": "sending took too long",
    "lost-arbitration": "arbitration lost",
    "controller": "controller state",
    "protocol": "protocol violation",
    "transceiver": "transceiver fault",
    "no-acknowledge": "no acknowledge",
    "bus-off": "bus off",
    "bus-error": "bus error",
    "restarted": "controller restarted",
    "unspecified": "unspecified",
}
READING_STATES = {"fits": "inside", "odd": "outside", "ask": "cannot tell"}
"""How a meter's reading lies to its limit."""

CHANGES = {
    "rule": ("output follows another rule", "outputs follow other rules"),
    "identifier-vanished": ("identifier vanished", "identifiers vanished"),
    "channel-swap": ("channel that carries another bus", "channels that carry other buses"),
    "errors": ("change of the errors", "changes of the errors"),
    "quiet": ("change of the time until the bus is quiet", "changes of the time until the bus is quiet"),
    "supply": ("change of the supply", "changes of the supply"),
    "identifier-new": ("new identifier", "new identifiers"),
    "payload-length": ("changed payload length", "changed payload lengths"),
    "run-on": ("changed run-on", "changed run-ons"),
    "cut-off": ("changed cut-off", "changed cut-offs"),
    "latency": ("changed latency", "changed latencies"),
    "interval": ("changed interval", "changed intervals"),
    "payload-bits": ("message with bits that stopped or began to move", "messages with bits that stopped or began"),
    "jitter": ("changed jitter", "changed jitters"),
    "bus-load": ("change of the bus load", "changes of the bus load"),
}
"""One change between two recordings, and several, in order of weight."""
AWAKE = {
    "on": "while the control that keeps the bus awake was on",
    "off": "while the control that keeps the bus awake was off",
    "awake": "while the bus was awake",
}
"""The state of the bus in which two recordings were compared."""
