"""Exercise sheets: a session of prompting to print and tick, and how to set the recorder up for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.layout import WIDTH, Page
from canlens.results import finding
from canlens.wording import chance_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.prompting import ControlNote, Session, SessionStep, Tally


# Phrases: how a step of a session is said, on paper and on the page alike.


def said(step: SessionStep, awake_while: str) -> str:
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


def worth(tally: Tally) -> str:
    """Say what the draw is worth for one control."""
    often = f"in {tally.exercises} of {tally.slots} drawn slots"
    missing = "one may go wrong" if tally.misses else "none may go wrong"
    error = chance_words(tally.error_chance, of="sessions")
    return f"each {often}; {missing}. Chance of an error if all is answered: {error}."


def session_cautions(session: Session) -> list[str]:
    """Return the cautions that belong to a session, the most urgent first."""
    items = {note.safety for note in session.controls}
    told = [finding.PARKED, finding.SECOND_PERSON, finding.MOVING]
    if "horn" in items or any("horn" in note.name.lower() for note in session.controls):
        told.append(finding.HORN)
    if "stop-lamp" in items:
        told.append(finding.STOP_LAMP)
    return [*told, finding.LISTEN_ONLY, finding.MAKER_DECIDES]


# Sheet text: a session as a sheet to print and tick, 80 columns wide.


COLUMNS = ("no", "at", "do this", "hold for", "held meanwhile", "done")


def sheet_text(session: Session, *, judge: str, encoding: str = "utf-8") -> str:
    """Write a session as a sheet.

    Parameters
    ----------
    session
        What to do.
    judge
        The command that judges the recording afterwards.
    encoding
        What the console can show.

    Returns
    -------
    str
        Lines of at most 80 columns: what it is and how to use it, cautions, controls, then the steps part by part
        with a box to tick, what the draw is worth, and what to do afterwards.
    """
    page = Page(encoding)
    page.paragraph(f"EXERCISES – {session.title}")
    page.paragraph(
        f"Takes {span(session.duration_s)}. Seed {session.seed}: the same command gives the same sheet again."
    )
    page.heading("HOW")
    _add_how(page)
    page.heading("CAUTIONS")
    for caution in session_cautions(session):
        page.paragraph(caution, first="*", indent=2)
    page.heading("CONTROLS")
    page.facts([(note.name, _about(note, session)) for note in session.controls], indent=2)
    for number, part in enumerate(session.parts):
        _add_part(page, session, [step for step in session.steps if step.part == number], part.title, part.why)
    _add_worth(page, session)
    page.heading("AFTERWARDS")
    page.paragraph("Save the recording beside the marks that the page saved, then:")
    page.paragraph(judge, first=" ", indent=2)
    return page.text()


def _add_how(page: Page) -> None:
    """Say how the sheet is used."""
    counts = (
        "Open the page exercises.html on a phone or laptop and press Start: it counts down to every line below and "
        "saves what really happened. Without it, let the second person read the lines aloud by a stop watch."
    )
    steps = (
        "Set the recorder up as the recorder sheet says, and start it.",
        counts,
        "Strike out what was not done, and write down what went wrong instead. A slip does no harm if it is noted.",
    )
    for number, step in enumerate(steps, 1):
        page.paragraph(step, first=f"{number}.", indent=3)


def _about(note: ControlNote, session: Session) -> str:
    """Say what is to be known of a control."""
    told = [f"{note.meaning}." if note.meaning else "Operate it as it is used; on means operated."]
    if note.name == session.awake_while:
        told.append("Wakes the vehicle.")
    if note.outputs:
        told.append(f"Asked for by {', '.join(note.outputs)}.")
    if note.watch:
        told.append(
            f"Watch {', '.join(note.watch)}: nothing on the bus shows it; write down when it is on (--observed)."
        )
    return " ".join(told)[:1].upper() + " ".join(told)[1:]


def _add_part(page: Page, session: Session, steps: Sequence[SessionStep], title: str, why: str) -> None:
    """Add the steps of one part."""
    page.heading(title.upper())
    page.paragraph(why)
    if all(step.kind == "wait" for step in steps):
        for step in steps:
            what = said(step, session.awake_while)
            page.paragraph(f"{clock(step.start_s)} to {clock(step.end_s)}: {what}.")
        return
    page.gap()
    shows_held = any(_held(step, session) for step in steps)
    rows = []
    for step in steps:
        hold = f"{step.until_s - step.act_s:.1f} s" if step.kind == "operate" else ""
        if step.kind in ("rest", "wait"):
            hold = f"{step.end_s - step.start_s:.0f} s"
        row = [str(step.number), clock(step.act_s), said(step, session.awake_while), hold]
        box = "" if step.kind in ("wait", "release") else "[ ]"
        rows.append([*row, *([_held(step, session)] if shows_held else []), box])
    columns = COLUMNS if shows_held else (*COLUMNS[:4], COLUMNS[5])
    page.table(columns, rows)


def _held(step: SessionStep, session: Session) -> str:
    """Name what is held meanwhile, the vehicle's own state apart."""
    return ", ".join(name for name in step.held if name != session.awake_while)


def _add_worth(page: Page, session: Session) -> None:
    """Say what the draw is worth, and what is left out."""
    if session.tallies:
        page.heading("WHAT IT IS WORTH")
        told: dict[str, list[str]] = {}
        for tally in session.tallies:
            told.setdefault(worth(tally), []).append(tally.control)
        for words, names in told.items():
            page.paragraph(f"{', '.join(names)}: {words}", first="*", indent=2)
        places = session.tallies[0].places
        planned = any(note.meaning for note in session.controls)
        page.paragraph(
            f"Reckoned for {places} candidates ({'pairs of control and output' if planned else 'bits'}) that have "
            "nothing to do with the control: since the slots were drawn by lot, the number that go along by chance is "
            "hypergeometric, whatever else the bus does."
        )
    for remark in session.remarks:
        page.paragraph(remark, first="Note:", indent=2)


# Recorder text: how to set the recorder up for a session, how long, and what to write down.


SPARE_S = 10
"""The recorder runs for so long before Start and after the end [s]."""
LINES = (
    "Date, place",
    "Vehicle, engine on or off",
    "Who operates, who records",
    "Connector, and its pins",
    "Adapter, program, version",
    "Bit rate, channel",
    "File name of the recording",
    "Recorder's clock at Start",
    "Battery voltage",
    "What was odd",
    "",
)


def recorder_text(session: Session, *, encoding: str = "utf-8") -> str:
    """Write the sheet for the recorder, lines of at most 80 columns."""
    page = Page(encoding)
    page.paragraph(f"RECORDER – {session.title}")
    page.heading("SET UP")
    for number, line in enumerate(_set_up(session), 1):
        page.paragraph(line, first=f"[ ] {number}.", indent=7)
    page.heading("WHEN")
    run_s = session.duration_s + 2 * SPARE_S
    page.paragraph(
        f"Start the recorder, wait {SPARE_S} s, then press Start on the page (or the stop watch). The exercises take "
        f"{span(session.duration_s)}; leave the recorder running for {SPARE_S} s more: {span(run_s)} in all."
    )
    page.paragraph(
        "Marks count from the press of Start, the recording from its own clock: the difference is the same all along, "
        "and canlens finds it by itself. So do not stop or pause the recorder; a break in it would shift the rest."
    )
    page.heading("WRITE DOWN")
    for line in LINES:
        label = f"{line} " if line else ""
        page.lines += [label + "_" * (WIDTH - len(label)), ""]
    page.heading("CAUTIONS")
    for caution in (finding.LISTEN_ONLY, finding.WIRING, finding.MAKER_DECIDES):
        page.paragraph(caution, first="*", indent=2)
    return page.text()


def _set_up(session: Session) -> list[str]:
    """Return the settings of the recorder."""
    if session.bit_rate is not None:
        rate = f"Bit rate {session.bit_rate} bit/s, as the plan says."
    else:
        rate = "Bit rate: that of this bus. With a wrong one an adapter that is not silent disturbs the vehicle."
    wakes = session.awake_while
    return [
        "Listen-only (also called silent): the adapter sends nothing, not even an acknowledge.",
        rate,
        "Error records on. If they cannot be recorded, write that down: no error seen is then no proof of none.",
        "Time stamps on, made by the adapter if it can, not by the program.",
        "No filter: all identifiers, 11 and 29 bits, into one file. Candump and ASC text are read whole; others too.",
        "Enough room on the disk, energy saving of the laptop off.",
        "Try it for ten seconds; 'canlens survey' on that file says whether there is traffic and whether all is well."
        + (f" Do that with {wakes} on: a sleeping bus says nothing." if wakes else ""),
    ]
