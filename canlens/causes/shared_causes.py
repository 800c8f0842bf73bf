"""Shared causes: one for several outputs – a control not noticed, another setting, no supply, no bus, a weak ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.controller import life
from canlens.causes.routing import tally
from canlens.causes.weighing import bus_words
from canlens.judging import followed, wrongs
from canlens.plan.rule import OFF, ON
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.judging.deviations import Kind
    from canlens.nouns.outputs import Evidence


# What outputs have in common: each suspect names the outputs that it explains, and how well it explains just these.


NAME = "shared"
SEVERAL = 2
"""From so many outputs on, what they share is asked for."""
FEW = 3
"""Of so many outputs on, a whole configuration that is not the plan's is likelier than as many faults of their own."""
LOWEST_V = 9.0
"""Below this a controller for a supply of 12 V does not work (our choice)."""
EXACT, BEYOND, ALONE = 1.0, 0.05, 0.03
"""How well a control that is not noticed explains outputs that are dead: several of them; and once more as little where
more are dead; and a single one."""
NEVER_SHOWN, SHOWN = 30.0, 0.003
"""How much more, and how much less, where the controller's own report of the control never or always followed."""
OF_ALL, OF_ALL_SHARED, OF_TWO, OF_MOST, OF_SOME = 1.0, 0.25, 0.2, 0.1, 0.02
"""How well another configuration explains: all outputs dead, without and with a control that all of them need; two of
two; most of several outputs otherwise than planned; some dead."""
UNNAMED = 16.0
"""A silent controller that nobody looked at may also hang on another bus or work at another bit rate: no table
describes that."""
SETTINGS: tuple[Kind, ...] = ("late", "wrong-run-on", "stuck", "wrong-cut-off", "never-cut-off", "wrong-flashing")
"""Kinds of wrong that a configuration can make."""


@dataclass(frozen=True)
class Together:
    """How the outputs that were asked for went.

    Attributes
    ----------
    dead, alive
        Those that never came on, and those that did.
    astray
        Those that do otherwise than planned, as another configuration would make them.
    """

    dead: tuple[str, ...]
    alive: tuple[str, ...]
    astray: tuple[str, ...]

    @property
    def value(self) -> str:
        """How many are dead, as a symptom."""
        if len(self.dead) < SEVERAL:
            return "one" if self.dead else "no"
        return "several" if self.alive else "all"

    def needing(self, evidence: Evidence, control: str) -> tuple[str, ...]:
        """Return the outputs, dead or alive, that cannot come on without a control."""
        rules = evidence.plan.outputs
        return tuple(
            name
            for name in (*self.dead, *self.alive)
            if control in rules[name].when.controls
            and not (rules[name].when.with_fixed(control, state=OFF).table(rules[name].when.controls) == ON).any()
        )


def together(evidence: Evidence) -> Together:
    """Sort the outputs that were asked for by what they did."""
    dead: list[str] = []
    alive: list[str] = []
    astray: list[str] = []
    unlit: list[str] = []
    for name, own in evidence.outputs.items():
        if own.judged_from == "nothing":
            continue
        one = tally(evidence, name)
        was_on = own.shown is not None and own.shown.shows(ON)
        if one.answered or one.late or one.unwanted or was_on:
            alive.append(name)
            if wrongs(evidence, name, *SETTINGS) or followed(evidence, name).value in {"another's", "other"}:
                astray.append(name)
        elif one.unanswered:
            dead.append(name)
        elif own.judged_from == "observed" and len(own.rule.rises):
            unlit.append(name)
    if not alive:
        dead += unlit  # who notes nothing but that it was off, of every output, saw none come on
    return Together(tuple(dead), tuple(alive), tuple(astray))


def cases(asked: Asked) -> Iterator[Case]:
    """Ask once what all that fails has in common."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    found = together(evidence)
    alive = life(evidence)
    is_alive = alive is None or alive.value == "come"
    unheard = [name for name, own in evidence.controls.items() if own.is_unheard]
    signs = [alive] if alive is not None else []
    if is_alive or found.dead or found.alive:
        told = f"{', '.join(found.dead)} never came on" if found.dead else "every output came on"
        if is_alive or not found.alive:
            signs.append(Sign("together", found.value, told))
    if len(found.dead) < SEVERAL and is_alive and not unheard and len(found.astray) < FEW:
        return
    if unheard and alive is not None and is_alive:
        told = f"the controller's own report of {', '.join(unheard)} never followed"
        signs.append(Sign("noticed", "never", told))
    looked_at = tuple(_readings(evidence))
    chain = "the bus runs, its messages come and the controls move: links 1 to 3 are fine"
    everything = (*found.dead, *found.alive)
    works = bool(found.alive) and is_alive
    feeds = () if works else (Suspect((), 1.0, chain if found.dead else "", explains=found.dead),)
    controls = tuple(_not_noticed(evidence, found))
    settings = tuple(_settings(evidence, found, is_shared=any(each.share >= EXACT for each in controls)))
    control = controls[0].subject[0] if controls else "the control"
    yield Case(
        NAME,
        (),
        (*signs, *looked_at),
        {
            "control-not-noticed": controls,
            "setting-differs": settings,
            "supply-missing": feeds,
            "bus-plug-open": feeds,
        },
        left=1 - asked.wrong("traffic", ()),
        unknown=1.0 if is_alive or looked_at else UNNAMED,
        words=bus_words(evidence, control=control, outputs=", ".join(found.dead or found.astray or everything)),
    )


def _readings(evidence: Evidence) -> Iterator[Sign]:
    """Tell what was measured and looked at on the controller itself."""
    values = evidence.readings.values if evidence.readings else {}
    if "box_supply_v" in values:
        volts = values["box_supply_v"].value
        yield Sign("box-supply", "there" if volts >= LOWEST_V else "missing", f"{volts:.3g} V at the controller's plug")
    if "fuse_ok" in values:
        is_whole = bool(values["fuse_ok"].value)
        yield Sign("fuse", "whole" if is_whole else "blown", f"its fuse is {'whole' if is_whole else 'blown'}")
    if "plug_seated" in values:
        is_seated = bool(values["plug_seated"].value)
        yield Sign("plug", "seated" if is_seated else "open", f"its plug is {'seated' if is_seated else 'not seated'}")


def _not_noticed(evidence: Evidence, found: Together) -> Iterator[Suspect]:
    """Yield the controls without which all that need them would be dead, and are."""
    for name, own in evidence.controls.items():
        needing = found.needing(evidence, name)
        explained = tuple(each for each in needing if each in found.dead)
        if not len(own.exercises) and ON not in own.track.state:
            continue
        if not explained or len(explained) < len(needing):
            continue
        share = ALONE if len(explained) < SEVERAL else EXACT
        if len(explained) < len(found.dead):
            share *= BEYOND
        told = f"{' and '.join(explained)} need {name}, which moves on the bus; nothing that needs it comes on"
        if own.is_unheard:
            share *= NEVER_SHOWN
            told += ", and the controller's own report of it never followed"
        elif own.noticed:
            share *= SHOWN
        yield Suspect((name,), share, told, explains=explained)


def _settings(evidence: Evidence, found: Together, *, is_shared: bool) -> Iterator[Suspect]:
    """Yield the outputs that another configuration would explain."""
    every = len(found.dead) + len(found.alive)
    if len(found.dead) >= SEVERAL:
        share = OF_SOME if found.alive else OF_ALL_SHARED if is_shared else OF_TWO if every < FEW else OF_ALL
        heard = [name for name, own in evidence.controls.items() if own.noticed]
        told = f"{counted(len(found.dead), 'output')} of {every} never came on"
        told += f" though the controller noticed {', '.join(heard)}" if heard else ""
        yield Suspect(found.dead, share, told, explains=found.dead)
    wrong = tuple(sorted({*found.dead, *found.astray}))
    if len(found.astray) >= FEW and 2 * len(wrong) > every:
        told = f"{counted(len(wrong), 'output')} of {every} do otherwise than planned, each in its own way"
        yield Suspect(wrong, OF_MOST, told, explains=wrong)


CONTROL_NOT_NOTICED = Candidate(
    name="control-not-noticed",
    scope="controller",
    question=NAME,
    weight=6,
    chances={
        "controller": {"come": 0.998, "stops": 0.001, "none": 0.001},
        "together": {"no": 0.05, "one": 0.25, "several": 0.4, "all": 0.3},
        "noticed": {"follows": 0.2, "never": 0.8},
        "box-supply": {"there": 0.99, "missing": 0.01},
    },
    docstring="""control-not-noticed: a control moves on the bus, and the controller does not see it.

What is wrong
    The controller reads another message, bit or bus for this control, its input wire is open, or its configuration
    waits for another one.
Speaks for it
    Everything that needs the control is dead, and only that; the controller's own report of it never follows.
Speaks against it
    Any output that needs it and comes on; a report that follows.
Next test
    Measure the controller's own input while the control is operated, or look up in its configuration what it reads.
""",
)


SETTING_DIFFERS = Candidate(
    name="setting-differs",
    scope="controller",
    question=NAME,
    weight=4,
    chances={
        "controller": {"come": 0.998, "stops": 0.001, "none": 0.001},
        "together": {"no": 0.25, "one": 0.05, "several": 0.2, "all": 0.5},
        "noticed": {"follows": 0.98, "never": 0.02},
        "box-supply": {"there": 0.99, "missing": 0.01},
    },
    docstring="""setting-differs: the controller is configured otherwise than planned.

What is wrong
    Its configuration was never written, was lost, or is that of another vehicle or job.
Speaks for it
    Several outputs at once are dead or do otherwise than planned, share no control, and the controller is alive.
Speaks against it
    Only one output is wrong; all that are wrong need one control, which the controller does not notice.
Next test
    Read the configuration out of the controller and hold it against the plan, output by output.
""",
)


SUPPLY_MISSING = Candidate(
    name="supply-missing",
    scope="controller",
    question=NAME,
    weight=4,
    chances={
        "controller": {"come": 0.001, "stops": 0.019, "none": 0.98},
        "together": {"no": 0.005, "one": 0.005, "several": 0.01, "all": 0.98},
        "box-supply": {"there": 0.02, "missing": 0.98},
        "fuse": {"whole": 0.5, "blown": 0.5},
    },
    docstring="""supply-missing: no plus, no ground or a blown fuse at the controller.

What is wrong
    Its fuse is blown or missing, its feed is dead while the ignition is on, or its ground is open.
Speaks for it
    Nothing of the controller on a bus that runs, and no output that works; no voltage at its own plug.
Speaks against it
    Any frame of the controller; any output that comes on.
Next test
    Look at its fuse, then measure supply to ground at its own plug with a lamp as load.
""",
)


BUS_PLUG_OPEN = Candidate(
    name="bus-plug-open",
    scope="controller",
    question=NAME,
    weight=3,
    chances={
        "controller": {"come": 0.005, "stops": 0.015, "none": 0.98},
        "together": {"no": 0.04, "one": 0.01, "several": 0.05, "all": 0.9},
        "box-supply": {"there": 0.99, "missing": 0.01},
        "plug": {"seated": 0.3, "open": 0.7},
    },
    docstring="""bus-plug-open: the controller is not connected to the bus.

What is wrong
    Its bus plug is not seated, a pin was pushed back, H and L are exchanged, or it hangs on another bus.
Speaks for it
    Nothing of the controller on a bus that runs; its supply is there; nothing works that needs the bus.
Speaks against it
    Any frame of the controller; any output that follows a control of the bus.
Next test
    Look whether its plug is seated; then measure H to L at the controller's own plug, battery off.
""",
)
