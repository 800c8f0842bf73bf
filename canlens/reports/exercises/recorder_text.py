"""Recorder text: how to set the recorder up for a session, how long, and what to write down."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import cautions
from canlens.reports.exercises.phrases import span
from canlens.reports.layout import WIDTH, Page

if TYPE_CHECKING:
    from canlens.prompting import Session

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
    for caution in (cautions.LISTEN_ONLY, cautions.WIRING, cautions.MAKER_DECIDES):
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
