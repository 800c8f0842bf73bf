"""Count-down page: a session as one HTML file that counts a person through it and saves what really happened."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from canlens.reports.exercise_sheets import said, session_cautions, span
from canlens.reports.page.assembling import asset, inline, page_environment, policy
from canlens.results.form import version

if TYPE_CHECKING:
    from canlens.prompting import Session, SessionStep


def countdown_page(session: Session, *, judge: str) -> str:
    """Write the page of a session.

    Parameters
    ----------
    session
        What to do.
    judge
        The command that judges the recording afterwards.

    Returns
    -------
    str
        HTML that opens from disk, fetches nothing and sends nothing.
    """
    script = asset("count_down.js")
    template = page_environment().from_string(asset("count_down.html"))
    return template.render(
        policy=inline(policy([script])),
        title=session.title,
        duration=span(session.duration_s),
        count=sum(step.mark is not None for step in session.steps),
        cautions=session_cautions(session),
        notes=session.controls,
        judge=judge,
        version=version(),
        data=inline(_data(session)),
        style=inline(asset("count_down.css")),
        script=inline(script),
    )


def _data(session: Session) -> str:
    """Write what the script needs as JSON that cannot end the element it stands in."""
    content = {
        "title": session.title,
        "seed": session.seed,
        "steps": [_step(step, session) for step in session.steps],
    }
    return json.dumps(content, ensure_ascii=True).replace("<", "\\u003c")


def _step(step: SessionStep, session: Session) -> dict[str, object]:
    """Return one step as the script knows it."""
    return {
        "number": step.number,
        "part": session.parts[step.part].title,
        "why": session.parts[step.part].why,
        "kind": step.kind,
        "control": step.control,
        "say": said(step, session.awake_while),
        "start": step.start_s,
        "act": step.act_s,
        "until": step.until_s,
        "end": step.end_s,
        "held": [name for name in step.held if name != session.awake_while],
        "label": step.mark.label if step.mark else "",
        "drawn": step.is_drawn,
    }
