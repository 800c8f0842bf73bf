"""Meter and log: what the two tell together, and what neither can."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.measures.meter_limits import ONE_TERMINATOR_OHM, SHORTED_OHM, TERMINATED_OHM

if TYPE_CHECKING:
    from canlens.bus_evidence import JudgedReading
    from canlens.error_evidence import Attribution, ErrorLedger


def meter_and_log(
    readings: tuple[JudgedReading, ...],
    ledger: ErrorLedger | None,
    attribution: Attribution | None,
    *,
    frames: int,
) -> tuple[str, ...]:
    """Say what meter and log tell together, a sentence or two for each question.

    Parameters
    ----------
    readings
        As judged.
    ledger, attribution
        Of the log.
    frames
        Data and remote frames in the log.
    """
    by_name = {each.name: each for each in readings}
    found = []
    if (ohms := by_name.get("h_l_ohm")) is not None and ohms.state != "ask":
        found.append(_ohms_and_log(ohms.value, ledger, attribution, frames))
    high, low = by_name.get("h_v"), by_name.get("l_v")
    if high is not None and low is not None and "ask" not in {high.state, low.state} and high.value < low.value:
        found.append(
            f"H ({high.value:g} V) lies below L ({low.value:g} V): the two wires may be exchanged where this was "
            "measured."
        )
    if (current := by_name.get("sleep_ma")) is not None and current.state == "odd":
        seen = "the log shows when the bus was awake" if frames else "the log holds no frame"
        found.append(
            f"{current.value:g} mA at rest: {seen}, but no log shows who draws current while the bus is silent. "
            "Compare with the current before the install, measured over the same time."
        )
    return tuple(found)


def _ohms_and_log(ohms: float, ledger: ErrorLedger | None, attribution: Attribution | None, frames: int) -> str:
    """Say what the resistance between the lines and the log tell together."""
    shown = f"{ohms:g} ohm between H and L" if math.isfinite(ohms) else "An open line between H and L"
    if not frames:
        if ohms < SHORTED_OHM:
            return f"{shown} and no traffic: a short between the lines explains both."
        return f"{shown} and no traffic: the resistance does not say whether a node is awake and sends."
    if ohms < SHORTED_OHM:
        return f"{shown} and {frames} frames are not true at the same time: the short came later, or lies elsewhere."
    pointing = f" The log by itself: {attribution.sentence}" if attribution is not None else ""
    return f"{shown} and {_log_words(ledger)}: {_together(ohms, bool(ledger and ledger.frames))}{pointing}"


def _log_words(ledger: ErrorLedger | None) -> str:
    """Say what the log holds of errors."""
    if ledger is not None and ledger.frames:
        return f"{ledger.frames} error record{'s' if ledger.frames > 1 else ''}"
    if ledger is not None and ledger.recorded == "yes":
        return "no errors in the log"
    return "a log that cannot tell of errors"


def _together(ohms: float, has_errors: bool) -> str:  # noqa: FBT001 – one half of what is put together
    """Say what follows from a resistance that is no short, and from whether the log holds errors."""
    if TERMINATED_OHM[0] <= ohms <= TERMINATED_OHM[1]:
        if has_errors:
            return (
                "both terminators are there, so the errors come from something else. The meter sees the main line at "
                "rest; an open stub, a contact that moves or interference it does not see."
            )
        return "nothing speaks against the termination. A meter at rest does not prove a contact."
    if ONE_TERMINATOR_OHM[0] <= ohms <= ONE_TERMINATOR_OHM[1]:
        if has_errors:
            return "one terminator is not seen, and the bus has errors; spread over all senders they fit it."
        return "one terminator is not seen. A bus can run like this without any error, so the log clears nothing."
    return "judge the resistance by itself; the log can neither confirm nor clear it."
