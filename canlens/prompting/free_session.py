"""Free session: controls that are only names, since nobody has a plan or a DBC yet → slots that find their bits."""

from __future__ import annotations

import re
from dataclasses import replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.plan.nouns import REST
from canlens.plan.rule import KEYWORDS
from canlens.prompting.counting import FEWEST_RESTS, ROUNDING, Size, chance_if_all_answer, size_for
from canlens.prompting.session import READY_S, ControlNote, Session, SessionTimeline, Tally
from canlens.rehearsal.draws import Draws

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


# Drawn slots: which control is operated in which slot, drawn at random before anything is done.


HOLD_STEPS_S = (0.0, 0.5, 1.2)
"""Holds are longer than the shortest one by these, in turn: what always lasts as long could be a pulse of the bus."""


def draw_labels(exercises: Mapping[str, int], rests: int, draws: Draws) -> list[str]:
    """Draw the order of all slots: each control as often as wished, the others left alone; any order is as likely."""
    labels = [name for name, count in exercises.items() for _ in range(count)]
    return draws.shuffled([*labels, *([REST] * rests)])


def add_slots(
    timeline: SessionTimeline, labels: Sequence[str], shortest_s: Mapping[str, float], *, length_s: float
) -> None:
    """Add drawn slots of equal length [s] to a timeline; ``shortest_s`` has the shortest hold of each control [s]."""
    more = {name: _holds(labels.count(name), timeline.draws) for name in shortest_s}
    for label in labels:
        hold_s = shortest_s[label] + more[label].pop() if label != REST else 0.0
        timeline.slot(label, hold_s=hold_s, length_s=length_s)


def _holds(count: int, draws: Draws) -> list[float]:
    """Return so many additions to the shortest hold, each of them about equally often, in a drawn order."""
    return draws.shuffled([HOLD_STEPS_S[number % len(HOLD_STEPS_S)] for number in range(count)])


SLOT_S = 6.0
"""Length of a slot: time to read, to hold, to let go, and for marks that are noted by hand [s]."""
SHORTEST_HOLD_S = 0.8
"""Long enough for a message that comes every half second (practice: few body messages are slower) [s]."""
LEAD_IN_S = 5.0
"""Nothing is touched at first: what starts with the recorder is not taken for an answer [s]."""
HAND_S = 0.5
"""Added to the least time a state must last: hands are that late or early [s]."""
SETTLE_S = 8.0
"""After the vehicle was woken or put to sleep, what it does by itself is waited for [s]."""
PLACES = 6400
"""Bits that could be mistaken for a control: 100 identifiers of 64 bits, a busy vehicle bus."""
CHANCE = 0.01
"""Of an error, for each control, where nothing else is wished."""

DRAWN_WHY = (
    "Operate what the line names and nothing else; in a rest slot touch nothing. The order was drawn by lot: that "
    "makes the chance of an error exact. Do not change it."
)
AGAIN_WHY = "As before: only what the line names, in this order, and nothing in a rest slot."
WAKES = re.compile("ignition|zünd|zuend|^key$|^key_?on$", re.IGNORECASE)
WAKES_REMARK = (
    "{0} looks like what wakes the vehicle. If so, make the sheet with --awake-while {0}: slots are then drawn by "
    "themselves while it is off and on."
)
STATE_REMARK = (
    "{0} is switched on once only, which names no bit. To find its own, make another sheet without --awake-while."
)

_NAME = re.compile(r"[A-Za-z0-9_-]+")


def control_names(text: str) -> list[str]:
    """Return the names in a list like ``horn,brake_front``; raise a UsageError for what cannot name a control."""
    names = [name.strip() for name in text.split(",") if name.strip()]
    if not names:
        raise UsageError("--controls: expected names with commas between them, such as horn,brake_front; found none.")
    for name in names:
        if not _NAME.fullmatch(name):
            raise UsageError(f"--controls: expected a name of letters, digits, _ and -, found '{name}'.")
        if name.lower() == REST or name.lower() in KEYWORDS:
            raise UsageError(f"--controls: '{name}' has a meaning of its own. Give the control another name.")
        if names.count(name) > 1:
            raise UsageError(f"--controls: '{name}' stands there twice.")
    return names


def draw_free_session(
    controls: Sequence[str],
    *,
    slots: int | None = None,
    seed: int = 1,
    awake_while: str | None = None,
    chance: float = CHANCE,
    places: int = PLACES,
) -> Session:
    """Draw a session that finds the bits of controls; the same arguments and seed give the same session.

    Without ``slots`` as many are drawn as it takes to keep the wished chance of an error for each control among so many
    places. ``awake_while`` is the control that wakes the vehicle: half the slots are drawn while it is off. Raises a
    UsageError if the slots are too few, or it is none of the controls.
    """
    if awake_while is not None and awake_while not in controls:
        close = get_close_matches(awake_while, controls, n=1) or list(controls)
        raise UsageError(f"--awake-while {awake_while}: expected one of the controls, {', '.join(close)}.")
    drawn = [name for name in controls if name != awake_while]
    if not drawn:
        raise UsageError(f"--awake-while {awake_while}: expected another control beside it to operate.")
    size = size_for(len(drawn), slots, places=places, chance=chance)
    states = [(size.slots, size.exercises)]
    if awake_while is not None:
        size = _sized_for_two(size, len(drawn), places=places, chance=chance, is_fixed=slots is not None)
        states = _halves(size, len(drawn))
    timeline = SessionTimeline(Draws(seed, "waiting times"))
    for number, (state_slots, exercises) in enumerate(states):
        _add_state(timeline, drawn, state_slots, exercises, seed=seed, awake_while=awake_while, number=number)
    _add_end(timeline, awake_while)
    return Session(
        title=f"Find the bits of {', '.join(controls)}",
        seed=seed,
        controls=tuple(ControlNote(name) for name in controls),
        awake_while=awake_while or "",
        parts=tuple(timeline.parts),
        steps=tuple(timeline.steps),
        tallies=tuple(
            Tally(name, size.exercises, size.slots, chance_if_all_answer(states), places, size.misses) for name in drawn
        ),
        wished_chance=chance,
        remarks=tuple(_remarks(controls, awake_while)),
    )


def _remarks(controls: Sequence[str], awake_while: str | None) -> list[str]:
    """Return what the person should know of the state of the vehicle."""
    if awake_while is not None:
        return [STATE_REMARK.format(awake_while)]
    return [WAKES_REMARK.format(name) for name in controls if WAKES.search(name)]


def _sized_for_two(size: Size, controls: int, *, places: int, chance: float, is_fixed: bool) -> Size:
    """Return a size that still does when its slots are drawn in two states of the vehicle, each by itself."""
    while chance_if_all_answer(_halves(size, controls), misses=size.misses) * places > chance * ROUNDING:
        if is_fixed and not size.misses:
            raise UsageError(
                f"--slots {size.slots}: too few to be drawn in two states of the vehicle. Leave out --slots; or leave "
                "out --awake-while and record in one state."
            )
        if is_fixed:
            size = replace(size, misses=0)
        else:
            size = replace(size, slots=size.slots + controls + FEWEST_RESTS, exercises=size.exercises + 1)
    return size


def _halves(size: Size, controls: int) -> list[tuple[int, int]]:
    """Divide slots and exercises over the two states of the vehicle; slots as the exercises need them."""
    off = size.exercises // 2
    spare = size.slots - controls * size.exercises
    off_slots = controls * off + spare // 2
    return [(off_slots, off), (size.slots - off_slots, size.exercises - off)]


def _add_state(
    timeline: SessionTimeline,
    drawn: Sequence[str],
    slots: int,
    exercises: int,
    *,
    seed: int,
    awake_while: str | None,
    number: int,
) -> None:
    """Add the slots of one state of the vehicle, and what brings it about."""
    state = "" if awake_while is None else f" with {awake_while} {'on' if number else 'off'}"
    if not number:
        timeline.begin("Begin", f"The recorder is running. Touch nothing{f'; {awake_while} is off' if state else ''}.")
        timeline.wait(LEAD_IN_S)
    else:
        timeline.begin(
            f"Switch {awake_while} on", "It stays on until the end of the sheet. Wait until the vehicle has woken up."
        )
        timeline.hold(str(awake_while), after_s=HAND_S)
        timeline.wait(SETTLE_S)
    timeline.begin(f"{slots} drawn slots{state}", AGAIN_WHY if number else DRAWN_WHY)
    labels = draw_labels(
        dict.fromkeys(drawn, exercises), slots - len(drawn) * exercises, Draws(seed, f"slots {number}")
    )
    length_s = max(SLOT_S, READY_S[1] + SHORTEST_HOLD_S + max(HOLD_STEPS_S))
    add_slots(timeline, labels, dict.fromkeys(drawn, SHORTEST_HOLD_S), length_s=length_s)


def _add_end(timeline: SessionTimeline, awake_while: str | None) -> None:
    """Add the end: the vehicle off again, and a while in which nothing is touched."""
    timeline.begin("End", "Touch nothing more; then stop the recorder.")
    if awake_while is not None:
        timeline.release(awake_while, after_s=HAND_S)
    timeline.wait(SETTLE_S)
