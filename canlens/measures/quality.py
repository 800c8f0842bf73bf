"""Quality: a recording described, and what makes it poor, or usable with care, before anything is judged from it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.errors.ledger import errors_recorded
from canlens.nouns.bus import RecordingResult
from canlens.trace import NANOSECONDS_PER_SECOND, Kind
from canlens.wire import ControllerState, ErrorClass
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.database import Database
    from canlens.nouns.bus import Quality
    from canlens.trace import Ints, Rows, Trace


# Quality reasons: what makes a recording poor, or usable with care.


POOR_SHARE = 0.01
"""More unusable lines than this share make a recording poor: what they held may be the very edge in question (our
choice)."""
FEWEST_FRAMES = 10
"""So many frames do not come at one moment of any clock (our choice)."""
LONGEST_SILENCE_S = 30 * 86_400.0
"""No recorder is left on a silent bus for longer: a stamp so far ahead of the one before is damaged, or the clock was
set (our choice)."""
SHORTEST_S = 2.0
"""A shorter recording shows a message of one second, a usual longest cycle, less than three times (our choice)."""
COARSE_SHARE = 0.1
"""A clock that steps by more than this share of the time in which an answer is due blurs the latency (our choice)."""
COARSE_S = 0.001
"""A clock that steps by less is fine for anything that a hand operates [s]."""
IMPOSSIBLE_SHARE = 0.01
"""Single gaps may be too short because a stamp was late; more than this share is how a recorder works (our choice)."""
SHORTEST_FRAME_S = 44e-6
"""The shortest frame, base format without data, at 1 Mbit/s, the highest nominal rate (ISO 11898-2)."""
SHORTEST_FD_FRAME_S = 30e-6
"""The part of a CAN FD frame that runs at the nominal rate, base format, at 1 Mbit/s (Bosch CAN FD 1.0, section 5)."""
LOOKED_AT, CLOCK_FRAMES = 200_000, 10_000
"""Frames of which the gaps and the clock are looked at; more would not change the answer."""
CUT_WORDS = ("cut off", "damaged")
"""Words by which readers say that a file ends before its time."""


STEP_NS = 50_000_000
"""A stamp that lies so far [ns] behind the one before was not only delivered late: the recorder's clock was set."""
MOST_PARTS = 8
"""A recording with more steps of its clock is no recording any more (our choice)."""


def by_clock(trace: Trace) -> tuple[Trace, ...]:
    """Cut a recording where its clock was set or restarted, so that nothing is judged across the step.

    Returns
    -------
    tuple
        The recording alone where its clock never stepped, or so often that its stamps mean nothing.
    """
    borders = _borders(trace)
    if not len(borders) or len(borders) >= MOST_PARTS:
        return (trace,)
    edges = [0, *borders.tolist(), len(trace)]
    return tuple(trace.where(slice(start, stop)) for start, stop in pairwise(edges))


def by_one_clock(trace: Trace, ahead_s: Mapping[str, float]) -> Trace:
    """Return a recording with the stamps of channels set back by what their clocks are ahead [s], in order of time."""
    known = {trace.channels.index(name): each for name, each in ahead_s.items() if name in trace.channels and each}
    if not known:
        return trace
    time_ns = trace.time_ns.copy()
    for index, each_s in known.items():
        time_ns[trace.channel == index] -= round(each_s * NANOSECONDS_PER_SECOND)
    order = np.lexsort((time_ns, trace.segment))
    return replace(replace(trace, time_ns=time_ns).where(order), origin_ns=None)


TWINS_S = 0.001
"""Two frames alike within this time [s] are one that was written twice: no node repeats itself as soon."""
TWINS_LOOKED_AT = 5_000
"""Where the first so many frames are not written twice, the others are not looked at."""
TWINS_SHARE = 0.45
"""From this share of frames that repeat the one before on, the recorder writes every frame twice (our choice)."""


def written_once(trace: Trace) -> Trace:
    """Return a recording without the second copies where its recorder wrote every frame twice; else as it is."""
    copies = _copies(trace)
    if copies is None:
        return trace
    kept = np.ones(len(trace), bool)
    kept[copies] = False
    return trace.where(kept)


def _copies(trace: Trace) -> Rows | None:
    """Return the rows that repeat a frame just before; None where not nearly every frame is repeated."""
    if len(trace) < FEWEST_FRAMES or len(trace.channels) > 1:
        return None
    if len(trace) > TWINS_LOOKED_AT and _copies(trace.where(slice(0, TWINS_LOOKED_AT))) is None:
        return None
    rows = trace.streams.rows
    same = np.zeros(len(rows), bool)
    same[1:] = (
        (trace.words[1:] == trace.words[:-1])
        & (trace.identifier[rows[1:]] == trace.identifier[rows[:-1]])
        & (trace.is_extended[rows[1:]] == trace.is_extended[rows[:-1]])
        & (np.diff(trace.time_ns[rows]) <= TWINS_S * NANOSECONDS_PER_SECOND)
    )
    same[1:] &= ~same[:-1]
    return rows[same] if same.sum() >= TWINS_SHARE * len(rows) else None


def _borders(trace: Trace) -> Rows:
    """Return the rows before which the recorder's clock was set or restarted."""
    if len(trace) < 2:  # noqa: PLR2004 – one frame has no step
        return np.zeros(0, np.intp)
    step, restarts = np.diff(trace.time_ns), trace.segment[0] != trace.segment[-1]
    ahead_ns = int(LONGEST_SILENCE_S * NANOSECONDS_PER_SECOND)
    least, most = int(step.min()), int(step.max())
    if not restarts and least >= -STEP_NS and most <= ahead_ns:
        return np.zeros(0, np.intp)
    wide = np.diff(trace.time_ns.astype(np.float64))  # damaged stamps may lie too far apart for whole numbers
    borders: Rows = np.flatnonzero((np.diff(trace.segment) != 0) | (wide < -STEP_NS) | (wide > ahead_ns)) + 1
    return borders


def reasons(trace: Trace, *, within_s: float | None = None) -> tuple[Quality, tuple[str, ...]]:
    """Judge a recording.

    Parameters
    ----------
    trace
        As read.
    within_s
        The shortest time in which an output must answer [s]; None: there is none.

    Returns
    -------
    str
        ``good``; ``usable`` where something asks for care; ``poor`` where verdicts would be guesses.
    tuple of str
        Why, worst reason first.
    """
    steps = len(_borders(trace))
    poor = list(_poor(trace, within_s, steps))
    usable = list(_usable(trace, within_s, steps))
    if poor:
        return "poor", (*poor, *usable)
    return ("usable", tuple(usable)) if usable else ("good", ())


def _poor(trace: Trace, within_s: float | None, steps: int) -> Iterator[str]:
    """Say what makes it poor."""
    if _too_many(trace.problem_count, len(trace) + trace.problem_count):
        yield _unread(trace)
    if _without_time(trace):
        yield f"all {len(trace)} frames bear the same time stamp, or none: record again with time stamps"
    if steps >= MOST_PARTS:
        yield f"the recorder's clock was set or restarted {steps} times, or its stamps are damaged"
    if within_s is not None and _tick_s(trace) > within_s:
        yield f"its clock steps by {_tick_s(trace):g} s, longer than the {within_s:g} s in which an answer is due"


def _usable(trace: Trace, within_s: float | None, steps: int) -> Iterator[str]:
    """Say what asks for care."""
    if trace.problem_count and not _too_many(trace.problem_count, len(trace) + trace.problem_count):
        yield _unread(trace)
    if any(words in problem.found for problem in trace.problems for words in CUT_WORDS):
        yield "the file ends before its time: it is cut off or damaged"
    if trace.source.stamps == "added up":
        yield "its time stamps count from the frame before and were added up: a lost line makes later ones too early"
    yield from _of_the_recorder(trace, steps)
    lost = _overflows(trace)
    if lost:
        yield f"the recorder says {counted(lost, 'time')} that it lost frames"
    if 0 < trace.duration_s < SHORTEST_S:
        yield f"it lasts only {trace.duration_s:.1f} s"
    tick_s = _tick_s(trace)
    if within_s is not None and max(COARSE_S, COARSE_SHARE * within_s) < tick_s <= within_s:
        yield f"its clock steps by {1000 * tick_s:g} ms, much for answers that are due within {1000 * within_s:g} ms"
    if not _without_time(trace):
        yield from _impossible(trace, tick_s)
    yield from _one_sided(trace)


def _of_the_recorder(trace: Trace, steps: int) -> Iterator[str]:
    """Say what the recorder did with its clock and its frames."""
    if 0 < steps < MOST_PARTS:
        often = "once" if steps == 1 else f"{steps} times"
        yield f"the recorder's clock was set or restarted {often}; nothing is judged across it"
    if _copies(trace) is not None:
        yield "the recorder wrote every frame twice; each was counted once"
    if backwards := _backwards(trace):
        yield f"{backwards} time stamp{'s step' if backwards > 1 else ' steps'} backwards"


def _without_time(trace: Trace) -> bool:
    """Tell whether no time passes in a recording of more than a few frames."""
    is_unstamped = trace.source.stamps == "none" and len(trace) > 0
    return is_unstamped or (len(trace) >= FEWEST_FRAMES and trace.duration_s == 0)


def _too_many(number: int, of_all: int) -> bool:
    """Tell whether so many of all are more than :data:`POOR_SHARE`."""
    return number > POOR_SHARE * of_all


def _unread(trace: Trace) -> str:
    return f"{trace.problem_count} of {len(trace) + trace.problem_count} lines could not be read"


def _backwards(trace: Trace) -> int:
    """Count the stamps that step backwards by less than a setting of the clock."""
    at = np.flatnonzero(trace.time_ns[1:] < trace.time_ns[:-1])
    late_ns = trace.time_ns[at] - trace.time_ns[at + 1]
    return int(np.count_nonzero((late_ns <= STEP_NS) & (trace.segment[at] == trace.segment[at + 1])))


def _overflows(trace: Trace) -> int:
    """Count the records that say that the recorder's buffer overflowed."""
    rows = np.flatnonzero(trace.kind == Kind.ERROR)
    if not len(rows):
        return 0
    is_controller = (trace.identifier[rows] & ErrorClass.CONTROLLER) != 0
    overflows = (trace.payload.first8[rows, 1] & ControllerState.RX_OVERFLOW) != 0
    return int((is_controller & overflows).sum())


def _tick_s(trace: Trace) -> float:
    """Return the step of the clock [s]: the largest power of ten that divides the first stamps; 0 for none."""
    stamps = trace.time_ns[:CLOCK_FRAMES] - trace.start_ns
    step_ns = int(np.gcd.reduce(stamps)) if len(stamps) else 0
    if step_ns == 0:
        return 0.0
    finest = max(10**power for power in range(10) if step_ns % 10**power == 0)
    return float(finest / NANOSECONDS_PER_SECOND)


def _impossible(trace: Trace, tick_s: float) -> Iterator[str]:
    """Say so where frames follow each other faster than any bus lets them."""
    part = slice(0, LOOKED_AT)
    shortest_s = SHORTEST_FD_FRAME_S if trace.is_fd[part].any() else SHORTEST_FRAME_S
    short = gaps = 0
    for index in range(len(trace.channels)):
        on_bus = (trace.channel[part] == index) & (trace.kind[part] != Kind.ERROR)
        own_s: Ints = np.diff(trace.time_ns[part][on_bus])
        own_s = own_s[own_s >= 0]
        gaps += len(own_s)
        short += int(np.count_nonzero(own_s < (shortest_s - tick_s) * NANOSECONDS_PER_SECOND))
    if short > IMPOSSIBLE_SHARE * gaps:
        yield (
            f"{short} of {gaps} frames follow the one before faster than any bus lets them: the stamps are taken late "
            "and in bunches, or the bus is a virtual one"
        )


def _one_sided(trace: Trace) -> Iterator[str]:
    """Say so where a channel holds nothing but errors, or nothing but what the recorder itself sent."""
    for index, name in enumerate(trace.channels):
        on_channel = trace.channel == index if len(trace.channels) > 1 else slice(None)
        kind = trace.kind[on_channel]
        if not len(kind):
            continue
        called = f"channel {name}" if len(trace.channels) > 1 else "it"
        if (kind == Kind.ERROR).all():
            yield f"{called} holds error records only"
        elif not trace.is_rx[on_channel][kind != Kind.ERROR].any():
            yield f"{called} holds only what the recorder itself sent"


# Quality: a recording described, and how far it can be trusted before anything is judged from it.


MOST_PROBLEMS = 50
"""Rows of problems that a result lists; the count is exact all the same."""


def recording(trace: Trace, database: Database, *, within_s: float | None = None) -> RecordingResult:
    """Describe a recording and judge its quality.

    Parameters
    ----------
    trace
        As read.
    database
        Of the plan; its problems are listed beside the recording's.
    within_s
        The shortest time in which an output of the plan must answer [s]; None: there is none.

    Returns
    -------
    RecordingResult
    """
    quality, because = reasons(trace, within_s=within_s)
    return RecordingResult(
        file=trace.source.file,
        sha256=trace.source.sha256,
        format=trace.source.format,
        start=trace.start_ns / NANOSECONDS_PER_SECOND if len(trace) else None,
        duration_s=trace.duration_s,
        frames=len(trace),
        channels=trace.channels,
        error_frames=int((trace.kind == Kind.ERROR).sum()),
        error_frames_recorded=errors_recorded(trace)[0],
        quality=quality,
        quality_reasons=because,
        problem_count=trace.problem_count,
        problems=trace.problems[:MOST_PROBLEMS],
        database_problems=database.problems[:MOST_PROBLEMS],
    )
