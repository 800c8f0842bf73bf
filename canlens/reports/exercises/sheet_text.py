"""Sheet text: a session as a sheet to print and tick, 80 columns wide."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.exercises.phrases import clock, said, session_cautions, span, worth
from canlens.reports.layout import Page

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.prompting import ControlNote, Session, Step

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


def _add_part(page: Page, session: Session, steps: Sequence[Step], title: str, why: str) -> None:
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


def _held(step: Step, session: Session) -> str:
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
