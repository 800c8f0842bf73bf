"""prompting: what a person is told to do while recording – slots drawn at random, combinations, timers.

::

    Plan or names of controls ─drawing→ Session ─reports→ sheet, count-down page, planned marks
"""

from __future__ import annotations

from canlens.prompting.counting import chance_if_all_answer, fewest_exercises
from canlens.prompting.free_session import draw_free_session
from canlens.prompting.planned_session import draw_planned_session
from canlens.prompting.session import ControlNote, Part, Session, SessionStep, Tally, planned_marks_text

__all__ = [
    "ControlNote",
    "Part",
    "Session",
    "SessionStep",
    "Tally",
    "chance_if_all_answer",
    "draw_free_session",
    "draw_planned_session",
    "fewest_exercises",
    "planned_marks_text",
]
