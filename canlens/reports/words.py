"""Words: how a report says what a result holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.findings import Severity
    from canlens.results import LinkState, Verdict

VERDICTS: dict[Verdict, str] = {"proven": "PROVEN", "failed": "FAILED", "not-proven": "NOT PROVEN"}

SEVERITIES: dict[Severity, str] = {"failure": "FAILURE", "warning": "WARNING", "note": "NOTE"}
"""In order of weight, the worst first."""

LINK_MARKS: dict[LinkState, str] = {"seen": "✓", "broken": "✗", "cannot-tell": "?"}

LINK_NAMES = {
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

CAUTIONS = (
    "Battery: take the negative lead off first and put it back last. Measure ohms only with it off.",
    "Fuse: put it at the source end of every supply you add, and fit it as the last thing.",
    "Airbag circuits: do not probe, splice or route near them, nor anything joined to them.",
    "Bus: listen only. Never transmit on a vehicle's bus, and never bridge a gateway.",
    "On the road: whoever drives or rides watches no laptop.",
    "Stop lamp, main beam, ignition cut: try these last; the original must work without the controller.",
    "Over-current: test it only with a fused test load.",
    "Horns and flashing lamps: check the local code.",
    "The vehicle maker's manual comes before this report. In doubt, ask a licensed electrician or workshop.",
)
"""The cautions that stand under every report; each finding brings its own besides."""
BUS_CAUTIONS = (CAUTIONS[0], *CAUTIONS[2:5], CAUTIONS[8])
"""Those that belong to work on the bus itself."""


def seconds(value: float | None) -> str:
    """Say a time [s], to the millisecond."""
    return "–" if value is None else f"{value:.3f}"


def milliseconds(value: float | None) -> str:
    """Say a time [s] in ms."""
    return "–" if value is None else f"{value * 1000:.0f}"


def percent(ratio: float | None) -> str:
    """Say a ratio in percent."""
    return "unknown" if ratio is None else f"{ratio * 100:.1f} %"


def counted(number: int, noun: str, plural: str = "") -> str:
    """Say a number with its noun.

    Examples
    --------
    >>> counted(1, "output"), counted(2, "output"), counted(0, "entry", "entries")
    ('1 output', '2 outputs', '0 entries')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {plural or noun + 's'}"


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
    return text[:1].upper() + text[1:] if text.partition(" ")[0].isalpha() else text


def listed(names: tuple[str, ...] | list[str]) -> str:
    """Say names one after the other."""
    return ", ".join(names)
