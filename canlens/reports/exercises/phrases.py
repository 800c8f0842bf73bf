"""Phrases: how a step of a session is said, on paper and on the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import cautions

if TYPE_CHECKING:
    from canlens.prompting import Session, Step, Tally

HUNDRED = 100
THOUSAND = 1000
MILLION = 1_000_000
SMALLEST_TOLD = 1e-8


def said(step: Step, awake_while: str) -> str:
    """Return what to do, in a few words."""
    if step.kind == "wait":
        return "wait, touch nothing" if not step.held else "wait, change nothing"
    if step.kind == "rest":
        return "rest: touch nothing"
    if step.kind == "operate":
        return f"{step.control} on, then off"
    if step.control == awake_while:
        return f"switch {step.control} {'on, leave it on' if step.kind == 'hold' else 'off'}"
    return f"{step.control} on, KEEP HOLDING" if step.kind == "hold" else f"let go of {step.control}"


def clock(time_s: float) -> str:
    """Return a time as minutes and whole seconds.

    Examples
    --------
    >>> clock(7.4), clock(125.6)
    ('0:07', '2:06')
    """
    whole = int(time_s + 0.5)
    return f"{whole // 60}:{whole % 60:02d}"


def span(time_s: float) -> str:
    """Say how long something takes.

    Examples
    --------
    >>> span(48.2), span(375.3)
    ('48 s', '6 min 15 s')
    """
    whole = int(time_s + 0.5)
    return f"{whole} s" if whole < 60 else f"{whole // 60} min {whole % 60} s"  # noqa: PLR2004 – seconds of a minute


def odds(chance: float) -> str:
    """Say a chance so that a person can picture it.

    Examples
    --------
    >>> odds(0.5), odds(1 / 735471), odds(0.00004)
    ('50 %', '1 in 740000', '1 in 25000')
    """
    if chance >= 1 / THOUSAND:
        return f"{HUNDRED * chance:.2g} %"
    if chance < SMALLEST_TOLD:
        return "less than 1 in 100 million"
    once = float(f"{1 / chance:.2g}")
    return f"1 in {once / MILLION:g} million" if once >= MILLION else f"1 in {once:.0f}"


def worth(tally: Tally) -> str:
    """Say what the draw is worth for one control."""
    often = f"in {tally.exercises} of {tally.slots} drawn slots"
    missing = "one may go wrong" if tally.misses else "none may go wrong"
    return f"each {often}; {missing}. Chance of an error if all is answered: {odds(tally.error_chance)}."


def session_cautions(session: Session) -> list[str]:
    """Return the cautions that belong to a session, the most urgent first."""
    items = {note.safety for note in session.controls}
    told = [cautions.PARKED, cautions.SECOND_PERSON, cautions.MOVING]
    if "horn" in items or any("horn" in note.name.lower() for note in session.controls):
        told.append(cautions.HORN)
    if "stop-lamp" in items:
        told.append(cautions.STOP_LAMP)
    return [*told, cautions.LISTEN_ONLY, cautions.MAKER_DECIDES]
