"""Discovery: a recording and what a person did meanwhile, and which bits of the bus went along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.database import Database
from canlens.discovery_results import (
    ControlDiscovery,
    DiscoveryResult,
    Dropped,
    MarksResult,
    discovery_form,
)
from canlens.discovery_rows import Scene, candidate_row, dropped_rows, message_rows, slot_rows
from canlens.discovery_words import is_lead, reason_of, sentence_of, step_of
from canlens.errors import UsageError
from canlens.measures.discovering.aligning import NAMED_AT
from canlens.measures.discovering.needing import more_exercises
from canlens.measures.discovering.searching import search
from canlens.measures.gathering import on_channel
from canlens.measures.intervals import intervals
from canlens.measures.quality import recording
from canlens.measures.sleep import awake
from canlens.plan import Marks
from canlens.plan.nouns import REST
from canlens.trace import Kind

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from canlens.discovery_results import Candidate, DiscoverVerdict
    from canlens.measures.discovering.searching import Search, Searched
    from canlens.plan import Mark
    from canlens.trace import Trace

NOTHING_DROPPED = Dropped((), (), (), ())


@dataclass(frozen=True)
class Discovery:
    """The answer of ``canlens discover``.

    Attributes
    ----------
    result
        What JSON and reports show.
    """

    result: DiscoveryResult

    @property
    def verdict(self) -> DiscoverVerdict:
        """``named`` if every marked control was, else ``not-named``."""
        return self.result.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return exactly what ``--json`` writes."""
        return discovery_form(self.result)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the result as pandas tables: ``controls``, ``candidates`` and the like."""
        import pandas as pd  # noqa: PLC0415 – slow to import, and only wanted here

        controls = self.to_dict()["controls"]
        lists = {"candidates", "levels", "slots", "dropped", "messages"}
        dropped = next(iter(controls.values()))["dropped"] if controls else {}
        tables = {
            "controls": [
                {"control": name, **{key: value for key, value in each.items() if key not in lists}}
                for name, each in controls.items()
            ],
            "dropped": [{"what": what, **row} for what, rows in dropped.items() for row in rows],
        }
        for which in ("candidates", "levels", "messages", "slots"):
            tables[which] = [{"control": name, **row} for name, each in controls.items() for row in each[which]]
        return {name: pd.DataFrame(rows) for name, rows in tables.items()}


def make_discovery(
    trace: Trace, marks: Marks | Iterable[Mark], database: Database | None = None, *, channel: str | None = None
) -> Discovery:
    """Look for the bits that follow the controls a person operated.

    Parameters
    ----------
    trace
        The recording.
    marks
        What the person did, and ``rest`` for slots left alone.
    database
        Names what is known of the bus already.
    channel
        The channel to look at; None: all.

    Raises
    ------
    UsageError
        No control is marked; or the recording has frames, but none on the wanted channel.
    """
    marks = marks if isinstance(marks, Marks) else Marks(marks=tuple(marks))
    database = database or Database()
    if not any(mark.label != REST for mark in marks):
        raise UsageError(
            f"{marks.file or 'marks'}: expected at least one exercise, a line with the name of a control; found "
            f"{'only rest slots' if len(marks) else 'no marks'}. Mark when each control was operated."
        )
    chosen = on_channel(trace, channel)
    described = recording(chosen, database)
    if not (chosen.kind == Kind.DATA).any():
        return _nothing(chosen, marks, database)
    found = search(chosen, marks.marks)
    together = found.streams
    measured = intervals(chosen, together, awake(chosen).number)
    scene = Scene(chosen, database, found, measured)
    dropped = dropped_rows(scene)
    names = dict.fromkeys(mark.label for mark in marks if mark.label != REST)
    rows = {
        name: _control(scene, name, found.controls[name], dropped)
        if name in found.controls
        else _unsearched("All its marks lie outside the recording.", "Give the marks of this recording.", dropped)
        for name in names
    }
    verdict: DiscoverVerdict = "named" if all(each.named for each in rows.values()) else "not-named"
    return Discovery(
        DiscoveryResult(
            verdict=verdict,
            sentence=sentence_of(rows),
            recording=described,
            marks=_marks_row(found, marks),
            bits_changing=found.tried.bits_changing,
            places_tried=len(found.tried.places),
            known_skipped=sum(1 for place in found.tried.places if scene.known(place) is not None),
            controls=rows,
        )
    )


def _control(scene: Scene, name: str, searched: Searched, dropped: Dropped) -> ControlDiscovery:
    """Return what was found of one control."""
    found, slots = scene.found, scene.found.slots
    shifted = searched.shifted or [None] * len(searched.groups)
    candidates = [
        candidate_row(scene, searched, group, shift_chance=chance)
        for group, chance in zip(searched.groups, shifted, strict=True)
    ]
    candidates = [each for each in candidates if each.known is None or is_lead(each, int(searched.exercises.sum()))]
    levels = [candidate_row(scene, searched, group, shift_chance=None) for group in searched.levels]
    rests = int((searched.compared & slots.is_rest).sum())
    others = int((searched.compared & ~slots.is_rest).sum())
    exercises = int(searched.exercises.sum())
    best = candidates[0] if candidates else None
    needed = None if searched.named else _needed(found, searched, best, exercises=exercises, alone=rests + others)
    row = ControlDiscovery(
        exercises=exercises,
        rests=rests,
        others=others,
        named=searched.named,
        strength="exact" if found.prompted else "weaker",
        reason="",
        next_step="",
        more_exercises=needed,
        candidates=tuple(candidates),
        levels=tuple(levels),
        slots=slot_rows(found, searched, name),
        dropped=dropped,
        messages=message_rows(scene, searched),
    )
    return row.with_words(
        reason=reason_of(
            row, bits=found.tried.bits_changing, shared_with=searched.shared_with, known=bool(scene.database.messages)
        ),
        next_step=step_of(row, shared_with=searched.shared_with),
    )


def _needed(found: Search, searched: Searched, best: Candidate | None, *, exercises: int, alone: int) -> int | None:
    """Return how many more exercises would settle it, or how many a new session takes where there is no lead."""
    places = int(np.ceil(max(found.tried.bits_changing, 1) * searched.tries * len(found.controls)))
    if best is None or not found.prompted or not is_lead(best, exercises):
        return more_exercises(places=places, exercises=0, rests=0, answered=0, stray=0, level=NAMED_AT)
    return more_exercises(
        places=places,
        exercises=exercises,
        rests=alone,
        answered=best.answered,
        stray=best.stray,
        level=NAMED_AT,
    )


def _marks_row(found: Search, marks: Marks) -> MarksResult:
    """Return how the marks lie against the log."""
    follows = found.clock.scatter_s is not None
    estimated = found.shift.estimated or found.clock.lag_s != 0
    uncertainty = found.clock.uncertainty_s if follows else (found.shift.half_range_s if estimated else None)
    return MarksResult(
        file=marks.file,
        exercises=sum(1 for mark in marks if mark.label != REST),
        rests=sum(1 for mark in marks if mark.label == REST),
        outside=found.outside,
        offset_s=round(found.moved_s, 6),
        offset_uncertainty_s=uncertainty,
        offset_source="estimated" if estimated else "as-written",
        scatter_s=found.clock.scatter_s,
        counted_from="stamps" if found.offset_s else "first-frame",
    )


def _nothing(trace: Trace, marks: Marks, database: Database) -> Discovery:
    """Return the answer for a recording without data frames."""
    why = "The recording holds no data frames."
    step = "Wake the bus, check the recorder's connection and bit rate, and record again."
    labels = [mark.label for mark in marks]
    rests = labels.count(REST)
    rows = {name: _unsearched(why, step, NOTHING_DROPPED) for name in dict.fromkeys(labels) if name != REST}
    lie = MarksResult(marks.file, len(marks) - rests, rests, len(marks), 0.0, None, "as-written", None)
    return Discovery(DiscoveryResult("not-named", why, recording(trace, database), lie, 0, 0, 0, rows))


def _unsearched(why: str, step: str, dropped: Dropped) -> ControlDiscovery:
    """Return the row of a control that could not be looked for."""
    return ControlDiscovery(
        exercises=0,
        rests=0,
        others=0,
        named=False,
        strength="exact",
        reason=why,
        next_step=step,
        more_exercises=None,
        candidates=(),
        levels=(),
        slots=(),
        dropped=dropped,
    )
