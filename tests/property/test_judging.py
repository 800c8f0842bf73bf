"""Judging, whatever is recorded: nothing healthy fails, nothing is counted twice, nothing stumbles."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import event, given, settings
from hypothesis import strategies as st

from canlens.checkup import check
from canlens.measures.outputs.answers import answers
from canlens.plan import Mark, Observation, parse_rule
from canlens.trace import Kind, Payload
from tests.unit.small_jobs import (
    NS,
    START_NS,
    Job,
    Span,
    Wave,
    answering,
    flashes,
    job,
    operated,
    planned,
    presses,
    track_of,
    wave,
)

FEW = settings(max_examples=40, deadline=None)
NAMES = ("horn", "brake")
RULES = ("horn", "not horn", "horn or brake", "horn and brake", "horn and not brake")
WITHIN_S = 0.3


@st.composite
def spans(draw: st.DrawFn, *, step_s: float = 0.05, most: int = 8, longest: int = 60) -> list[Span]:
    """Draw when a control is on, in whole steps."""
    lengths = draw(st.lists(st.integers(1, longest), max_size=2 * most))
    times = [round(step_s * at, 6) for at in np.cumsum([10, *lengths]).tolist()]
    return list(zip(times[::2], times[1::2], strict=False))


def rule_spans(text: str, controls: dict[str, list[Span]], end_s: float) -> list[Span]:
    """Return when a rule is on, by its truth at every moment."""
    rule = parse_rule(text, NAMES)
    times = sorted({0.0, *(at for one in controls.values() for span in one for at in span)})
    on: list[Span] = []
    for start, stop in zip(times, [*times[1:], end_s + 60], strict=True):
        state = {name: np.array([any(a <= start < b for a, b in controls[name])], np.int8) for name in rule.controls}
        if rule.evaluate(state)[0] == 1:
            if on and on[-1][1] == start:
                on[-1] = (on[-1][0], stop)
            else:
                on.append((start, stop))
    return on


def merged(lit: list[Span]) -> list[Span]:
    """Return spans with those that touch or overlap made one."""
    out: list[Span] = []
    for start, stop in lit:
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(stop, out[-1][1]))
        else:
            out.append((start, stop))
    return out


@st.composite
def healthy_jobs(draw: st.DrawFn) -> Job:
    """Draw a job with a controller that does what the plan says, seen through messages of any cycle time."""
    controls = {name: draw(spans()) for name in NAMES}
    end_s = draw(st.floats(0, 20)) + max([1.0, *(span[1] for one in controls.values() for span in one)])
    text = draw(st.sampled_from(RULES))
    delay_s = draw(st.sampled_from([0.0, 0.02, 0.1, 0.3]))
    kind = draw(st.sampled_from(["plain", "run-on", "cut-off"]))
    asked = rule_spans(text, controls, end_s)
    options: dict[str, Any] = {}
    lit = [(start + delay_s, stop + delay_s) for start, stop in asked]
    if kind == "run-on":
        options = {"run_on_s": 2.0, "run_on_tolerance_s": 0.5}
        lit = merged([(start, stop + 2.0) for start, stop in lit])
    elif kind == "cut-off":
        options = {"cut_after_s": 1.5, "cut_after_tolerance_s": 0.5}
        lit = [(start, min(stop, start + 1.5)) for start, stop in lit]
    cycle_s = draw(st.sampled_from([None, 0.02, 0.05, 0.1, 0.5, 1.0]))
    state = wave(lit, cycle_s=cycle_s, at_once=cycle_s is not None and draw(st.booleans()))
    sent = {name: wave(one, cycle_s=draw(st.sampled_from([0.05, None]))) for name, one in controls.items()}
    event(f"{kind}, cycle {cycle_s}")
    return job(sent, {"siren": planned(text, state, within_s=WITHIN_S, **options)}, end_s=end_s, min_exercises=1)


@st.composite
def any_jobs(draw: st.DrawFn) -> Job:
    """Draw a job in which controls and outputs do anything."""
    controls = {name: draw(spans()) for name in NAMES}
    outputs = {
        "siren": planned("horn", draw(spans()), within_s=WITHIN_S),
        "fan": planned(draw(st.sampled_from(RULES)), draw(spans()), run_on_s=1.0, run_on_tolerance_s=0.5),
    }
    return job(controls, outputs, end_s=draw(st.integers(1, 50)))


@FEW
@given(one=healthy_jobs())
def test_a_controller_that_does_what_the_plan_says_never_fails(one: Job) -> None:
    checkup = one.checkup
    result = checkup.result.outputs["siren"]
    event(result.verdict)
    assert result.verdict != "failed", f"{result.reason}\n{one!r}"
    assert [finding.claim for finding in checkup.result.findings if finding.severity == "failure"] == []


@FEW
@given(one=any_jobs())
def test_what_is_due_adds_up(one: Job) -> None:
    for own in one.evidence.outputs.values():
        found = own.answers
        wrong = len(found.late) + len(found.unanswered) + len(found.dropped_out)
        assert len(found.due) == len(found.answered) + wrong
        assert len(found.due) + len(found.too_short) + len(found.held) <= len(own.rule.rises)  # bounces count once
        assert own.track is not None
        assert len(found.unasked) + len(found.answered) + len(found.late) <= len(own.track.rises)
        assert len(found.latency_s) == len(found.answered)
        assert (found.latency_s >= 0).all()


@FEW
@given(one=any_jobs(), shift_ns=st.integers(-START_NS, START_NS))
def test_shifting_all_times_changes_nothing_but_the_start(one: Job, shift_ns: int) -> None:
    trace = replace(one.trace, time_ns=one.trace.time_ns + shift_ns, origin_ns=one.trace.start_ns + shift_ns)
    before, after = one.checkup.to_dict(), replace(one, trace=trace).checkup.to_dict()
    start = after["recording"].pop("start")
    assert start == (START_NS + shift_ns) / NS
    before["recording"].pop("start")
    assert before == after


def healthy(end_s: float) -> Job:
    """Return a healthy job with two plain outputs, its last exercise over at 17 s."""
    brake = presses(3, first_s=10)
    outputs = {"siren": planned("horn", answering(presses(3))), "lamp": planned("brake", answering(brake))}
    return job({"horn": presses(3), "brake": brake}, outputs, end_s=end_s)


@FEW
@given(one=st.one_of(any_jobs(), st.just(healthy(18))), quiet_s=st.floats(0, 200), sent=st.booleans())
def test_quiet_time_at_the_end_makes_no_proven_output_fail(one: Job, quiet_s: float, sent: bool) -> None:  # noqa: FBT001
    # nothing changes any more; either the last rows are sent again and again, or one stray frame is all that comes
    rows = np.arange(len(one.trace))
    last = rows[-8:]
    times = round(quiet_s / 0.05) if sent else 1
    more = one.trace.where(np.concatenate([rows, *([last] * times if sent else [last[-1:]])]))
    steps = np.repeat(np.arange(1, times + 1), 8) * NS // 20 if sent else np.array([round(quiet_s * NS)])
    time_ns = more.time_ns.copy()
    time_ns[len(rows) :] += steps[: len(time_ns) - len(rows)]
    longer = replace(one, trace=replace(more, time_ns=time_ns, line=np.arange(len(more)) + 1))
    before, after = one.checkup.result.outputs, longer.checkup.result.outputs
    for name, result in before.items():
        if result.verdict == "proven" and one.plan.outputs[name].run_on_s is None:
            event("proven")
            assert after[name].verdict != "failed", after[name].reason


def everything() -> Job:
    """Return a job whose plan uses all there is to plan."""
    horn, lit = presses(3), [(4.0, 7.0)]
    steps = [(2, 100), *(step for on, off in flashes(lit, 4) for step in ((on, 100), (off, 0)))]
    flood = planned(
        "ignition and not brake",
        answering([(1.0, 9.0)]),
        level=Wave(steps),
        current=wave(answering([(1.0, 9.0)]), on=50),
        voltage=wave(answering([(1.0, 9.0)]), on=130),
        above=0.0,
        unknown=(255,),
        level_day=100.0,
        level_night=35.0,
        night="brake",
        flash_when="horn",
        flash_hz=4.0,
        flash_tolerance_hz=0.8,
        run_on_s=1.0,
        run_on_tolerance_s=0.5,
        cut_after_s=6.0,
        cut_after_tolerance_s=0.5,
        load_a=5.0,
        continuous_a=6.0,
        peak_a=9.0,
        peak_s=1.0,
    )
    controls = {
        "horn": operated(horn, unknown=(2, 3), noticed=answering(horn)),
        "brake": operated([(5.0, 6.0)], below=12),
        "ignition": operated([(1.0, 9.0)], on_values=(1.0, 3.0)),
    }
    outputs = {"flood": flood, "siren": planned("horn", answering(horn)), "radio": planned("ignition")}
    return job(controls, outputs, end_s=12, cycle_s=0.1)


EVERYTHING = everything()


@FEW
@given(
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(0, 1200),
    noise=st.sampled_from([0.0, 0.02, 0.3, 1.0]),
    clock=st.sampled_from(["as it was", "coarse", "torn", "still"]),
    cut=st.sampled_from([0.0, 0.1, 0.9]),
    noted=st.booleans(),
)
def test_no_noise_on_any_signal_makes_the_program_stumble(
    *, seed: int, rows: int, noise: float, clock: str, cut: float, noted: bool
) -> None:
    generator = np.random.default_rng(seed)
    trace = EVERYTHING.trace
    keep = np.sort(generator.permutation(len(trace))[:rows])
    trace = trace.where(keep)
    payloads = [
        generator.integers(0, 256, generator.integers(0, 5), np.uint8).tobytes() if noisy else payload
        for payload, noisy in zip(trace.payload, generator.random(len(trace)) < noise, strict=True)
    ]
    time_ns = {
        "as it was": trace.time_ns,
        "coarse": trace.time_ns // (NS // 10) * (NS // 10),
        "torn": trace.time_ns[generator.permutation(len(trace))],
        "still": np.full(len(trace), START_NS),
    }[clock]
    kind = np.where(generator.random(len(trace)) < cut, Kind.ERROR, Kind.DATA).astype(np.uint8)
    trace = replace(trace, payload=Payload.of(payloads), time_ns=time_ns, kind=kind)
    marks, observed = [], []
    if noted:
        names, outputs = [*EVERYTHING.plan.controls, "rest"], list(EVERYTHING.plan.outputs)
        marks = [Mark(float(t), names[int(n)]) for t, n in generator.integers(-5, 20, (6, 2)) % [25, 4]]
        observed = [
            Observation(float(t), outputs[int(n)], on=bool(on))
            for t, n, on in generator.integers(0, 20, (9, 3)) % [20, 3, 2]
        ]
    checkup = check(EVERYTHING.plan, trace, marks=marks, observed=observed)
    event(checkup.verdict)
    text = json.dumps(checkup.to_dict(), allow_nan=False)
    assert not re.search(r"\bnan\b|\binf\b", text)
    assert all(own.due >= own.answered + own.late for own in checkup.result.outputs.values())
    several = check(EVERYTHING.plan, [trace, EVERYTHING.trace], marks=marks, observed=observed)
    assert set(several.result.outputs) == set(EVERYTHING.plan.outputs)


@FEW
@given(rule=spans(most=12), output=spans(most=12), within_s=st.floats(0.01, 2), run_on_s=st.sampled_from([0.0, 1.0]))
def test_a_longer_answer_time_leaves_no_fewer_answered(
    rule: list[Span], output: list[Span], within_s: float, run_on_s: float
) -> None:
    # of an output whose changes come at once: what was in time stays in time, unless the output is off again by then
    # (exercises so far apart that no answer time makes two of them one)
    apart = [(begin + 3 * row, end + 3 * row) for row, (begin, end) in enumerate(rule)]
    moved = [(begin + 3 * row, end + 3 * row) for row, (begin, end) in enumerate(output)]
    asked = track_of([(0, 0), *((at, row % 2) for row, at in enumerate((t for s in apart for t in s), 1))], end_s=99)
    shown = track_of([(0, 0), *((at, row % 2) for row, at in enumerate((t for s in moved for t in s), 1))], end_s=99)
    short = answers(asked, shown, within_s=within_s, run_on_s=run_on_s)
    long = answers(asked, shown, within_s=within_s + 0.5, run_on_s=run_on_s)
    # a rise that answered late, or an exercise too short to tell, is nobody's once that exercise is owed no answer
    late_s = short.late.time_s + short.late_s
    newly_unasked = set(long.unasked.time_s.tolist()) - set(short.unasked.time_s.tolist())
    to_nobody = [at for at in newly_unasked if not np.isclose(late_s, at).any()]
    assert len(to_nobody) <= len(set(short.too_short.time_s.tolist()) - set(long.too_short.time_s.tolist()))
    in_time = {float(at) for at in short.answered.time_s}
    still_on = {float(at) for at in long.answered.time_s} | {float(at) for at in long.held.time_s}
    gone = in_time - still_on
    for at in gone:
        assert shown.at(np.array([at + within_s + 0.5 + 1e-9]))[0] == 0
