"""World: a family and a seed → a job as it comes from the workshop, with what may and what must not be said of it.

What is right to say is written here from what was built in; nothing of it is read off the program's answers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.errors import UsageError
from canlens.plan import Condition
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.rehearsals import START_S
from canlens.trace import NANOSECONDS_PER_SECOND
from tests.drawn.installs import DrawnInstall, draw_install, draw_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canlens.database import Message
    from canlens.plan import Mark, Output, Plan, SignalReference
    from canlens.rehearsal.rehearsals import InjectedFault
    from canlens.trace import Trace

    Judge = Callable[[DrawnInstall, DrawnInstall, str], "Truth"]
    """An install, the same without its situation, and what that concerns -> what may be said."""

State = Literal["sound", "broken", "untried", "unclear", "free"]
"""Of an output: sound ones should be proven and must not fail; broken ones must not be proven; untried ones neither;
unclear ones must not fail; of free ones anything may be said."""
Named = tuple[str, str]
"""A cause, and what it concerns: the name of an output, control or node; ``*`` for whatever is named with it."""
SEEDS_TRIED = 80
CHANGE_S = 0.3
"""An output that is on or off, or at another level, for so long against its plan shows it [s]."""
LATER_S = 5400
"""A job is recorded again so long after the first time [s]."""


@dataclass(frozen=True, eq=False)
class Truth:
    """What may be said of a job.

    Attributes
    ----------
    outputs
        Output -> its state.
    causes
        Those that name what is wrong; one of them should come first. Empty where nothing is.
    besides
        Those that may be told as well, since they are true.
    shallow
        Those that are literally true and lead nowhere: five outputs not commanded by a box that lost everything.
    finding
        A check whose finding is the whole answer; empty where there is none such.
    is_bus_clean
        Whether nothing on the bus or in the controller makes the job fail.
    """

    outputs: dict[str, State]
    causes: tuple[Named, ...] = ()
    besides: tuple[Named, ...] = ()
    shallow: tuple[Named, ...] = ()
    finding: str = ""
    is_bus_clean: bool = True

    @property
    def is_healthy(self) -> bool:
        """Whether nothing is wrong with the install."""
        return not self.causes and self.is_bus_clean and "broken" not in self.outputs.values()


@dataclass(frozen=True, eq=False)
class Job:
    """Recordings of one install, in the order in which somebody gives them, and what goes with them."""

    family: str
    seed: int
    plan: Plan
    traces: tuple[Trace, ...]
    marks: tuple[Mark, ...] | None
    truth: Truth
    detail: str = ""


@dataclass(frozen=True)
class Family:
    """One kind of job; ``draw`` raises a UsageError where the install of a seed cannot have it."""

    name: str
    draw: Callable[[int], Job]


def draw_job(family: Family, seed: int) -> Job:
    """Draw a job of a family, from the first seed on whose install can have it."""
    for one in range(seed, seed + SEEDS_TRIED):
        try:
            return family.draw(one)
        except UsageError:
            continue
    raise UsageError(f"no install from seed {seed} on can be one of '{family.name}'.")


def _job(name: str, install: DrawnInstall, seed: int, truth: Truth, *, marked: bool) -> Job:
    made = install.rehearsal
    told = "; ".join([*made.truth.situations, *(one.detail for one in made.truth.faults)])
    marks = made.marks if marked else None
    if any(one.startswith("loses") for one in made.truth.situations):
        truth = replace(truth, besides=(*truth.besides, ("recorder-loses", "*")))
    return Job(name, seed, install.plan, (made.trace,), marks, truth, told)


def _harmless(
    *situations: str,
    unclear: Callable[[DrawnInstall, list[str]], Iterable[str]] | None = None,
    planned: Callable[[Plan, Draws], Plan] | None = None,
    is_clocked: bool = True,
    name: str = "",
) -> Family:
    """Return a family of healthy installs; ``unclear`` names the outputs that need not be proven."""
    title = name or " + ".join(situations) or "plain"

    def draw(seed: int) -> Job:
        install = draw_install(seed, situations=situations, planned=planned)
        subjects = _subjects(install)
        loose = set(unclear(install, subjects)) if unclear is not None else set()
        states: dict[str, State] = {one: "unclear" if one in loose else "sound" for one in install.plan.outputs}
        return _job(title, install, seed, Truth(states), marked=is_clocked and bool(seed % 2))

    return Family(title, draw)


def _subjects(install: DrawnInstall) -> list[str]:
    """Return what the situations of an install concern, in their order."""
    return [one.partition(":")[2] for one in install.rehearsal.truth.situations]


def _resting_on(install: DrawnInstall, names: Iterable[str]) -> list[str]:
    """Return the outputs that have to do with any of these controls or are any of these outputs."""
    wanted = set(names)
    return [
        name
        for name, output in install.plan.outputs.items()
        if name in wanted or wanted & {*output.when.controls, output.night, *_flashers(output)}
    ]


def _flashers(output: Output) -> tuple[str, ...]:
    return output.flash_when.controls if output.flash_when is not None else ()


def _everything(install: DrawnInstall, names: Iterable[str]) -> list[str]:
    del names
    return list(install.plan.outputs)


def _wrong(name: str, judge: Judge, *, marked: bool | None = None) -> Family:
    """Return a family of installs in which one situation makes something wrong; ``judge`` compares with a sound one."""

    def draw(seed: int) -> Job:
        install = draw_install(seed, situations=[name])
        truth = judge(install, draw_install(seed), _subjects(install)[0])
        return _job(name, install, seed, truth, marked=bool(seed % 2) if marked is None else marked)

    return Family(name, draw)


def _changed(install: DrawnInstall, sound: DrawnInstall) -> list[str]:
    """Return the outputs that did something else for long enough than in the same install without the situation."""
    end_s = max(install.rehearsal.trace.time_ns.max() / NANOSECONDS_PER_SECOND - START_S, 0.0)
    grid = np.arange(0.0, end_s, CHANGE_S / 6)
    changed = []
    for name, course in install.courses.items():
        other = np.abs(course.level.at(grid) - sound.courses[name].level.at(grid)) > 1.0
        if other.sum() * CHANGE_S / 6 > CHANGE_S:
            changed.append(name)
    return changed


def _states(install: DrawnInstall, broken: Iterable[str], otherwise: State = "sound") -> dict[str, State]:
    wrong = set(broken)
    return {name: "broken" if name in wrong else otherwise for name in install.plan.outputs}


def _unseen(install: DrawnInstall, sound: DrawnInstall, control: str) -> Truth:
    wrong = _changed(install, sound)
    if not wrong:
        raise UsageError("nothing rests on it.")
    causes: tuple[Named, ...] = (("control-not-noticed", control),)
    single = tuple(
        (cause, name) for name in wrong for cause in ("output-not-commanded", "output-follows-other-control")
    )
    if len(wrong) == 1:
        return Truth(_states(install, wrong), causes + single)
    return Truth(_states(install, wrong), causes, shallow=single)


def _asleep(install: DrawnInstall, sound: DrawnInstall, control: str) -> Truth:
    wrong = set(_changed(install, sound)) & set(_resting_on(install, [control]))
    if not wrong:
        raise UsageError("nobody pressed it after that.")
    message = install.plan.controls[control].condition.reference.message
    causes = (("control-never-changes", control), ("message-missing", message.name), ("gateway-asleep", "*"))
    free: dict[str, State] = dict.fromkeys(_resting_on(install, [control]), "free")
    return Truth(_states(install, ()) | free | dict.fromkeys(wrong, "broken"), besides=causes)


def _dead(install: DrawnInstall, sound: DrawnInstall, subject: str) -> Truth:
    del sound, subject
    node = install.plan.controller.node or ""
    causes = (("controller-silent", "*"), ("supply-missing", "*"), ("bus-plug-open", "*"))
    return Truth(_states(install, (), "free"), causes, besides=(("node-intermittent", node),), is_bus_clean=False)


def _unset(install: DrawnInstall, sound: DrawnInstall, subject: str) -> Truth:
    del sound, subject
    shallow = tuple(("output-not-commanded", name) for name in install.plan.outputs)
    causes = (("setting-differs", "*"), *(shallow if len(shallow) == 1 else ()))
    return Truth(_states(install, install.plan.outputs), causes, shallow=shallow)


def _named(*causes: str) -> Judge:
    """Return a judge: the output that the situation concerns is broken, and each of these causes says so."""

    def judge(install: DrawnInstall, sound: DrawnInstall, output: str) -> Truth:
        del sound
        return Truth(_states(install, [output]), tuple((cause, output) for cause in causes))

    return judge


def _sagging(install: DrawnInstall, sound: DrawnInstall, output: str) -> Truth:
    del sound
    return Truth(_states(install, [output]), (("supply-sag", output),), besides=(("supply-sag", "*"),))


def _switching(install: DrawnInstall, sound: DrawnInstall, output: str) -> Truth:
    del sound
    states: dict[str, State] = {name: "unclear" if name == output else "sound" for name in install.plan.outputs}
    return Truth(states)


def _half(install: DrawnInstall, sound: DrawnInstall, output: str) -> Truth:
    del sound
    return Truth(_states(install, [output]), besides=(("load-differs", output), ("load-partly-open", output)))


def _untried(install: DrawnInstall, sound: DrawnInstall, output: str) -> Truth:
    del sound
    states: dict[str, State] = dict.fromkeys(install.plan.outputs, "unclear")
    states[output] = "untried"
    return Truth(states)


def _extra(install: DrawnInstall, sound: DrawnInstall, path: str) -> Truth:
    wrong = _changed(install, sound)
    if not wrong:
        raise UsageError("nobody met it.")
    causes = [(cause, name) for name in wrong for cause in ("extra-condition", "setting-differs")]
    return Truth(_states(install, wrong), besides=(*causes, ("extra-condition", path)))


def _engine(install: DrawnInstall, sound: DrawnInstall, subject: str) -> Truth:
    del sound, subject
    names = ("interference-from-engine", "interference")
    return Truth(_states(install, (), "unclear"), besides=tuple((one, "*") for one in names), is_bus_clean=False)


EVERYWHERE = {"no-traffic", "lines-shorted", "wrong-bit-rate", "nobody-acknowledges", "controller-silent"}


def _faulty(cause: str, *situations: str, name: str = "") -> Family:
    """Return a family of installs with one fault of the catalogue, under situations that change nothing."""
    title = name or " + ".join((cause, *situations))

    def draw(seed: int) -> Job:
        install = draw_install(seed, fault=cause, situations=situations)
        marked = bool(seed % 2) or cause == "control-never-changes"
        return _job(title, install, seed, _truth_of_fault(install), marked=marked)

    return Family(title, draw)


def _truth_of_fault(install: DrawnInstall) -> Truth:
    (fault,) = install.rehearsal.truth.faults
    causes: tuple[Named, ...] = tuple((fault.cause, name) for name in fault.subject) or ((fault.cause, "*"),)
    if fault.scope == "output" and fault.cause != "interference-from-output":
        return Truth(_states(install, fault.subject), causes)
    if fault.scope == "control":
        return Truth(_states(install, _resting_on(install, fault.subject)), causes)
    return Truth(_states(install, _hit(install, fault), "free"), causes, is_bus_clean=False)


def _hit(install: DrawnInstall, fault: InjectedFault) -> list[str]:
    """Return the outputs that a fault of the bus or controller surely keeps from being proven."""
    if fault.cause in EVERYWHERE:
        return list(install.plan.outputs)
    if fault.cause == "message-missing":
        held = install.plan.controls.items()
        gone = [name for name, one in held if one.condition.reference.message.name in fault.subject]
        return [name for name, one in install.plan.outputs.items() if set(gone) & set(one.when.controls)]
    return []


def _repaired(seed: int) -> Job:
    """Record a fault, then the repaired install; give the later one first, and the first one twice."""
    before = draw_install(seed, fault=Draws(seed, "repaired").choice(("output-not-commanded", "load-open")))
    after = draw_install(seed)
    shift_ns = LATER_S * NANOSECONDS_PER_SECOND
    later = replace(after.rehearsal.trace, time_ns=after.rehearsal.trace.time_ns + shift_ns)
    traces = (later, before.rehearsal.trace, before.rehearsal.trace)[: 2 + seed % 2]
    detail = f"repaired: {before.rehearsal.truth.faults[0].detail}"
    return Job("recordings in the wrong order", seed, after.plan, traces, None, Truth(_states(after, ())), detail)


def _halves(seed: int) -> Job:
    """Record one job in two files, and give them in the wrong order, one of them twice."""
    install = draw_install(seed)
    trace = install.rehearsal.trace
    middle = trace.time_ns[0] + (trace.time_ns[-1] - trace.time_ns[0]) // 2
    first, second = trace.where(trace.time_ns < middle), trace.where(trace.time_ns >= middle)
    states: dict[str, State] = dict.fromkeys(install.plan.outputs, "unclear")
    return Job("one job in two files", seed, install.plan, (second, first, second), None, Truth(states))


def _other_vehicle(seed: int) -> Job:
    install = draw_install(seed)
    plan, _ = draw_plan(seed + 500_000)
    states: dict[str, State] = dict.fromkeys(plan.outputs, "untried")
    detail = "the plan is that of another vehicle"
    truth = Truth(states, finding="unfitting-plan")
    return Job("another vehicle's plan", seed, plan, (install.rehearsal.trace,), None, truth, detail)


def _hardly_pressed(seed: int) -> Job:
    """Draw an install in which one control bounces and was operated once: that is one exercise, not three."""
    control = _subjects(draw_install(seed, situations=["pressed-once"]))[0]
    install = draw_install(seed, situations=[f"pressed-once:{control}", f"chatters:{control}"])
    states: dict[str, State] = {
        name: "untried" if control in one.when.controls else "unclear" for name, one in install.plan.outputs.items()
    }
    return _job("chatters, pressed once", install, seed, Truth(states), marked=False)


# Plans that differ from the usual drawn ones.


def slow_status(plan: Plan, draws: Draws) -> Plan:
    """Return the plan of a controller that tells of its outputs slowly, once in 50 to 1000 ms."""
    cycle_s = draws.choice((0.05, 0.1, 0.2, 0.5, 1.0))
    told = {one.command.reference.message.name for one in plan.outputs.values() if one.command is not None}
    return _with_messages(plan, dict.fromkeys(told, cycle_s))


def slow_repetition(plan: Plan, draws: Draws) -> Plan:
    """Return the plan of a vehicle whose keys are repeated once in a second (and sent on every change)."""
    del draws
    ignition = plan.controls[str(plan.bus.awake_while)].condition.reference.message.name
    keys = {one.condition.reference.message.name for one in plan.controls.values()} - {ignition}
    if not keys:
        raise UsageError("no keys.")
    return _with_messages(plan, dict.fromkeys(keys, 1.0))


def _with_messages(plan: Plan, cycles_s: dict[str, float]) -> Plan:
    """Return the plan with other cycle times of some messages, in its database and wherever it refers to them."""
    changed = {
        one.name: replace(one, cycle_time_s=cycles_s.get(one.name, one.cycle_time_s)) for one in plan.database.messages
    }
    return _referring(plan, changed)


def _referring(plan: Plan, changed: dict[str, Message]) -> Plan:
    """Return the plan with changed messages, in its database and wherever it refers to them."""

    def condition(one: Condition | None) -> Condition | None:
        return None if one is None else replace(one, reference=moved(one.reference))

    def refer(one: SignalReference | None) -> SignalReference | None:
        return None if one is None else moved(one)

    def moved(one: SignalReference) -> SignalReference:
        message = changed[one.message.name]
        definition = message.signal(one.definition.name)
        assert definition is not None
        return replace(one, message=message, definition=definition)

    return replace(
        plan,
        database=replace(plan.database, messages=tuple(changed[one.name] for one in plan.database.messages)),
        controls={
            name: replace(
                one,
                condition=replace(one.condition, reference=moved(one.condition.reference)),
                noticed=condition(one.noticed),
            )
            for name, one in plan.controls.items()
        },
        outputs={
            name: replace(
                one,
                command=condition(one.command),
                level=refer(one.level),
                current=refer(one.current),
                voltage=refer(one.voltage),
            )
            for name, one in plan.outputs.items()
        },
        controller=replace(plan.controller, supply=refer(plan.controller.supply)),
    )


THRESHOLD_A = 0.05
LED_A = 0.5
"""Limit of an output that feeds a lamp of light-emitting diodes [A]."""


def brake_lamp(plan: Plan, draws: Draws) -> Plan:
    """Return the plan of a controller that shows one output by nothing but a small current, in steps of 0.01 A."""
    shown = [
        one
        for one in plan.outputs.values()
        if one.current is not None and one.level is None and one.flash_when is None and one.cut_after_s is None
    ]
    if not shown:
        raise UsageError("no current.")
    output = draws.choice(shown)
    assert output.current is not None
    message = output.current.message
    fine = tuple(
        replace(one, scale=0.01, maximum=10.23) if one.name == output.current.definition.name else one
        for one in message.signals
    )
    changed = {one.name: one for one in plan.database.messages}
    changed[message.name] = replace(message, signals=fine)
    moved = _referring(plan, changed)
    own = moved.outputs[output.name]
    assert own.current is not None
    lamp = replace(
        own,
        command=Condition(own.current, above=THRESHOLD_A),
        voltage=None,
        load_a=None,
        continuous_a=LED_A,
        safety="stop-lamp",
    )
    return replace(moved, outputs={**moved.outputs, output.name: lamp})


def _lamp(seed: int) -> Job:
    """Draw an install with such a lamp, whose current hovers a little above the threshold."""
    plan = brake_lamp(draw_plan(seed)[0], Draws(seed, "changed plan"))
    (name,) = [one.name for one in plan.outputs.values() if one.safety == "stop-lamp"]
    install = draw_install(seed, situations=[f"current-hovers:{name}"], planned=brake_lamp)
    states: dict[str, State] = {one: "unclear" if one == name else "sound" for one in install.plan.outputs}
    return _job("current-hovers", install, seed, Truth(states), marked=bool(seed % 2))


HEALTHY: tuple[Family, ...] = (
    _harmless(),
    _harmless("loses-1-percent"),
    _harmless("loses-5-percent"),
    _harmless("loses-bursts"),
    _harmless("stamps-in-batches"),
    _harmless("stamps-coarse"),
    _harmless("written-twice"),
    _harmless("clock-back", unclear=_everything, is_clocked=False),
    _harmless("clock-restart", unclear=_everything, is_clocked=False),
    _harmless("clock-forward", unclear=_everything, is_clocked=False),
    _harmless("wired"),
    _harmless("wired-long-before", unclear=_resting_on),
    _harmless("chatters"),
    _harmless("sent-on-change", planned=slow_repetition),
    _harmless(planned=slow_status, name="slow status", unclear=lambda install, _: _quick(install)),
    Family("current-hovers", _lamp),
    _harmless("current-lags"),
    _harmless("load-switches-itself", unclear=_resting_on),
    _harmless("door-wakes"),
    _harmless("begins-in-run-on", unclear=_everything, is_clocked=False),
    _harmless("ends-in-run-on", unclear=_everything, is_clocked=False),
    _harmless("wired", "loses-1-percent"),
    _harmless("chatters", "stamps-in-batches"),
    _harmless("current-lags", "written-twice", "loses-bursts"),
    Family("chatters, pressed once", _hardly_pressed),
    Family("recordings in the wrong order", _repaired),
    Family("one job in two files", _halves),
    Family("another vehicle's plan", _other_vehicle),
    _wrong("condition-never-tried", _untried),
)
"""Families in which nothing is wrong with the install."""


def _quick(install: DrawnInstall) -> list[str]:
    """Return the outputs that flash or are timed faster than a slow status can show."""
    return [name for name, one in install.plan.outputs.items() if one.flash_hz or one.level_night is not None]


FAULTY: tuple[Family, ...] = (
    _wrong("control-unseen", _unseen),
    _wrong("gateway-asleep", _asleep, marked=True),
    _wrong("controller-dies", _dead),
    _wrong("configuration-lost", _unset),
    _wrong("half-load", _half),
    _wrong("load-loose", _named("output-intermittent")),
    _wrong("output-drops", _named("output-intermittent")),
    _wrong("output-not-fed", _named("output-not-fed")),
    _wrong("supply-sags", _sagging),
    _wrong("extra-condition", _extra),
    _wrong("engine-noise", _engine),
    _faulty("output-not-commanded"),
    _faulty("output-not-commanded", "loses-1-percent"),
    _faulty("output-always-on", "stamps-in-batches"),
    _faulty("outputs-swapped", "loses-bursts"),
    _faulty("output-follows-other-control", "wired"),
    _faulty("answer-late", "loses-1-percent"),
    _faulty("run-on-differs", "stamps-coarse"),
    _faulty("cut-off-differs", "written-twice"),
    _faulty("level-differs", "loses-bursts"),
    _faulty("flash-differs", "loses-1-percent"),
    _faulty("load-open", "current-lags"),
    _faulty("load-over-current", "loses-1-percent"),
    _faulty("control-never-changes", "loses-bursts"),
    _faulty("message-missing", "stamps-in-batches"),
    _faulty("controller-silent", "loses-5-percent"),
    _faulty("supply-sag", "loses-1-percent"),
    _faulty("duplicate-identifier", "loses-1-percent"),
    _faulty("interference-from-output", "stamps-in-batches"),
    _faulty("node-intermittent", "loses-1-percent"),
    _faulty("bus-stays-awake", "written-twice"),
)
"""Families in which something is."""

FAMILIES: tuple[Family, ...] = (*HEALTHY, *FAULTY)
