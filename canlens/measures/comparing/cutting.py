"""Cutting down: a recording becomes the baseline that another one can be compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.baseline import (
    AWAKE,
    FINE_STEP_S,
    STEP_S,
    WORTH_STEP,
    Baseline,
    ChannelBaseline,
    IdentifierBaseline,
)
from canlens.measures.absences import gaps_of, stops
from canlens.measures.beats import KINDS
from canlens.measures.channel_loads import channel_loads
from canlens.measures.comparing.block_beats import block_beats
from canlens.measures.comparing.blocks import blocks_of, control_signs
from canlens.measures.comparing.moved_bits import FEWEST_FRAMES, moved_bits
from canlens.measures.comparing.own_jitter import own_jitter
from canlens.measures.comparing.waiting import ready
from canlens.measures.error_ledger import error_ledger
from canlens.measures.gathering import on_channel
from canlens.measures.intervals import intervals
from canlens.measures.payload_lengths import lengths_of
from canlens.measures.quality import recording
from canlens.measures.sleep import awake
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.baseline import QuietBaseline
    from canlens.database import Database
    from canlens.measures.comparing.block_beats import BlockBeats
    from canlens.measures.comparing.blocks import Blocks
    from canlens.measures.comparing.own_jitter import OwnJitter
    from canlens.measures.intervals import Intervals
    from canlens.message_evidence import Gaps, Lengths
    from canlens.plan import Bus
    from canlens.signals import Floats
    from canlens.steps import Track
    from canlens.streams import Streams
    from canlens.trace import Bools, Ints, Trace

MICROSECONDS = 1e6
INTERVAL_SQUARES = 2.0
"""An interval is a difference of two frames' deviations, so that its variance is twice theirs."""


def cut_down(
    trace: Trace,
    database: Database,
    planned: Bus,
    *,
    control: Track | None = None,
    quiet: QuietBaseline | None = None,
) -> Baseline:
    """Cut a recording down to what another one can be compared with.

    Parameters
    ----------
    trace
        The recording.
    database
        Names, senders and declared cycle times.
    planned
        Bit rate and channel, as far as they are given.
    control, quiet
        State of the control that keeps the bus awake, and what came after it went off; None where none is planned.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel.
    """
    chosen = on_channel(trace, planned.channel)
    parts = _measured(chosen, planned)
    return Baseline(
        recording=recording(trace, database),
        channels=tuple(
            _channel(parts, number, name, database, control)
            for number, name in enumerate(chosen.channels)
            if planned.channel in (None, name)
        ),
        quiet=quiet,
    )


@dataclass(frozen=True, eq=False)
class _Parts:
    """What is measured of a recording at once; g streams, j groups of frames of one stream in one block.

    ``stream`` and ``block`` are those of each group, ``frames`` how many it has, ``moved`` the bits that moved in it.
    """

    trace: Trace
    planned: Bus
    streams: Streams
    blocks: Blocks
    found: Intervals
    lengths: list[Lengths]
    gaps: list[Gaps]
    busy_s: Floats
    bit_rates: dict[str, int | None]
    stream: Ints
    block: Ints
    frames: Ints
    beats: BlockBeats
    jitter: OwnJitter
    moved: list[Bools]


def _measured(trace: Trace, planned: Bus) -> _Parts:
    """Measure all streams of a recording by block."""
    spans = awake(trace)
    sorted_frames = trace.streams
    found = intervals(trace, sorted_frames, spans.number)
    blocks = blocks_of(trace, spans)
    stopped = stops(trace, sorted_frames, found, spans)
    loads = channel_loads(trace, planned)
    busy_s = np.zeros(len(trace))
    for each in loads.values():
        if each.load is not None:
            busy_s += each.load.busy_s
    number = np.repeat(np.arange(len(sorted_frames)), sorted_frames.frames)
    block = blocks.number[sorted_frames.rows]
    begin = np.flatnonzero(np.append(True, (np.diff(number) != 0) | (np.diff(block) != 0))[: len(block)])
    frames = np.diff(np.append(begin, len(block)))
    windows = ready(trace, np.rint(busy_s * NANOSECONDS_PER_SECOND).astype(np.int64))
    group = np.repeat(np.arange(len(begin)), frames)
    return _Parts(
        trace=trace,
        planned=planned,
        streams=sorted_frames,
        blocks=blocks,
        found=found,
        lengths=lengths_of(trace, sorted_frames),
        gaps=gaps_of(trace, sorted_frames, found, stopped),
        busy_s=busy_s,
        bit_rates={name: each.bit_rate for name, each in loads.items()},
        stream=number[begin],
        block=block[begin],
        frames=frames,
        beats=block_beats(found, number[begin], begin),
        jitter=own_jitter(found, sorted_frames, windows, group, len(begin)),
        moved=moved_bits(trace.payload, sorted_frames, begin, frames) if len(begin) else [],
    )


def _channel(parts: _Parts, number: int, name: str, database: Database, control: Track | None) -> ChannelBaseline:
    """Cut one channel down."""
    trace, own = parts.trace, parts.blocks.of(number)
    size = own.stop - own.start
    several = len(trace.channels) > 1
    ledger = error_ledger(trace, channel=name if several else None, bit_rate=parts.bit_rates[name])
    signs = control_signs(parts.blocks, number, control)
    here = trace.channel == number if several else np.ones(len(trace), np.bool_)
    inside = parts.blocks.number[here] - own.start
    is_error = trace.kind[here] == Kind.ERROR
    return ChannelBaseline(
        name=name,
        bit_rate=parts.bit_rates[name],
        recorded=ledger.recorded,
        recorded_because=ledger.recorded_because,
        start_ms=np.rint(parts.blocks.start_s[own] * 1000).astype(np.int64),
        awake_ms=np.rint(parts.blocks.awake_s[own] * 1000).astype(np.int64),
        control=signs,
        busy_us=np.rint(np.bincount(inside, parts.busy_s[here], minlength=size) * MICROSECONDS).astype(np.int64),
        episodes=_in_blocks(parts, own, here, ledger.episodes.line),
        error_records=np.bincount(inside[is_error], minlength=size),
        identifiers=tuple(
            _identifier(parts, stream, own, signs, database)
            for stream in np.flatnonzero(parts.streams.channel == number).tolist()
        ),
    )


def _in_blocks(parts: _Parts, own: slice, here: Bools, line: Ints) -> Ints:
    """Count lines of the log by block."""
    rows = np.flatnonzero(here & np.isin(parts.trace.line, line))
    return np.bincount(parts.blocks.number[rows] - own.start, minlength=own.stop - own.start)


def _identifier(parts: _Parts, stream: int, own: slice, signs: str, database: Database) -> IdentifierBaseline:
    """Cut one stream down."""
    sorted_frames, found = parts.streams, parts.found
    identifier, is_extended = int(sorted_frames.identifier[stream]), bool(sorted_frames.is_extended[stream])
    message = database.with_identifier(identifier, is_extended=is_extended)
    group = slice(*np.searchsorted(parts.stream, [stream, stream + 1]).tolist())
    at = parts.block[group] - own.start
    cycle_s = float(np.nan_to_num(found.cycle_s[stream]))
    beats = parts.beats
    slope = np.where(beats.number[group] > 0, (beats.slope_s[group] - cycle_s) / FINE_STEP_S, 0)
    rows = sorted_frames.rows[sorted_frames.start[stream] : sorted_frames.start[stream + 1]]
    moved, moved_of = _moved(parts, group, at, signs)

    def column(values: Floats | Ints) -> Ints:
        out = np.zeros(own.stop - own.start, np.int64)
        np.add.at(out, at, np.rint(values).astype(np.int64))  # a block comes twice where stamps step backwards
        return out

    return IdentifierBaseline(
        identifier=identifier,
        is_extended=is_extended,
        is_remote=bool(sorted_frames.is_remote[stream]),
        message=message.name if message else None,
        senders=message.senders if message else (),
        frames=len(rows),
        kind=KINDS[found.kind[stream]],
        cycle=round(cycle_s / FINE_STEP_S),
        declared_s=message.cycle_time_s if message else None,
        lengths=parts.lengths[stream].counts,
        busy_us=round(float(parts.busy_s[rows].sum()) * MICROSECONDS),
        in_block=column(parts.frames[group]),
        on_beat=column(beats.number[group]),
        slope=column(slope),
        worth=column(parts.jitter.worth[group] / WORTH_STEP),
        square=column(INTERVAL_SQUARES * parts.jitter.square_s2[group] / STEP_S**2),
        gaps=_gaps(parts, stream, own),
        moved=moved,
        moved_of=moved_of,
    )


def _gaps(parts: _Parts, stream: int, own: slice) -> Ints:
    """Count the gaps of a stream by the block in which they ended."""
    line = parts.gaps[stream].seen.line
    if not len(line):
        return np.zeros(own.stop - own.start, np.int64)
    rows = parts.streams.rows[parts.streams.start[stream] : parts.streams.start[stream + 1]]
    ended = rows[np.isin(parts.trace.line[rows], line)]
    return np.bincount(parts.blocks.number[ended] - own.start, minlength=own.stop - own.start)


def _moved(parts: _Parts, group: slice, at: Ints, signs: str) -> tuple[dict[str, tuple[int, ...]], dict[str, int]]:
    """Count by state in how many blocks each bit moved, and in how many it could."""
    enough = parts.frames[group] >= FEWEST_FRAMES
    bits = np.concatenate([word[group] for word in parts.moved], axis=1)
    letters = np.array(list(signs) or [""])
    moved: dict[str, tuple[int, ...]] = {}
    moved_of: dict[str, int] = {}
    for state, sign in {AWAKE: None, "on": "1", "off": "0"}.items():
        which = enough if sign is None else enough & (letters[at] == sign if signs else np.zeros(len(at), np.bool_))
        if not which.any():
            continue
        counts = bits[which].sum(axis=0)
        used = int(np.max(np.flatnonzero(counts), initial=-1)) + 1
        moved[state] = tuple(counts[:used].tolist())
        moved_of[state] = int(which.sum())
    return moved, moved_of
