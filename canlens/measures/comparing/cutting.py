"""Cutting down: a recording becomes, block by block, the baseline that another one can be compared with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.bus_load.load import channel_loads
from canlens.measures.comparing.own_jitter import own_jitter, ready
from canlens.measures.errors.ledger import error_ledger
from canlens.measures.gathering import on_channel
from canlens.measures.quality import recording
from canlens.measures.traffic.counters import lengths_of
from canlens.measures.traffic.intervals import KINDS, fitted_cycles, intervals
from canlens.measures.traffic.silences import awake, gaps_of, stops
from canlens.nouns.baselines import (
    AWAKE,
    BLOCK_S,
    CHANGING,
    FINE_STEP_S,
    STATES,
    STEP_S,
    WORTH_STEP,
    Baseline,
    ChannelBaseline,
    IdentifierBaseline,
)
from canlens.plan.rule import OFF, ON
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import Database
    from canlens.measures.comparing.own_jitter import OwnJitter
    from canlens.measures.traffic.intervals import Intervals
    from canlens.measures.traffic.silences import Awake
    from canlens.nouns.baselines import QuietBaseline, State
    from canlens.nouns.messages import Gaps, Lengths
    from canlens.nouns.tracks import Track
    from canlens.plan import Bus
    from canlens.signals import Floats
    from canlens.signals.payloads import Words
    from canlens.trace import Bools, Ints, Payload, Streams, Trace


NEAR = 0.5
"""Intervals that are off the beat by no more than this share of it count for the cycle."""


@dataclass(frozen=True, eq=False)
class BlockBeats:
    """Intervals on the beat that end in each of j groups of frames.

    ``number`` counts them; ``slope_s`` is the fitted cycle, 0 where there is no beat.
    """

    number: Ints
    slope_s: Floats


def block_beats(found: Intervals, stream: Ints, begin: Ints) -> BlockBeats:
    """Measure the intervals on the beat of each group of frames.

    Parameters
    ----------
    stream, begin
        int64 (j,): stream of each group, and where it begins in the streams' rows.
    """
    border = np.append(np.searchsorted(found.place, begin), len(found.place))
    beat_ns = (np.nan_to_num(found.cycle_s) * NANOSECONDS_PER_SECOND)[stream]
    slope_ns = fitted_cycles(found.length_ns, border, beat_ns, np.full(len(beat_ns), NEAR))
    beat_of_each_ns = np.repeat(beat_ns, np.diff(border))
    over_ns = found.length_ns - beat_of_each_ns
    kept = (np.abs(over_ns) <= NEAR * beat_of_each_ns) & (beat_of_each_ns > 0)
    number = np.diff(np.append(0, np.cumsum(kept))[border])
    return BlockBeats(number, np.nan_to_num(slope_ns) / NANOSECONDS_PER_SECOND)


# Blocks: the time of a recording in pieces of five seconds, by channel.


BLOCK_NS = int(BLOCK_S * NANOSECONDS_PER_SECOND)


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks of all channels of a recording, k in all; those without frames are left out.

    Attributes
    ----------
    number
        int64 (n,): block of each row; its channel's blocks follow each other.
    start
        int64 (c + 1,): where the blocks of each channel begin, and their end.
    start_s
        float64 (k,): since the recording's first frame [s].
    awake_s
        float64 (k,): how long the channel was awake in it [s].
    """

    number: Ints
    start: Ints
    start_s: Floats
    awake_s: Floats

    def __len__(self) -> int:
        return len(self.start_s)

    def of(self, channel: int) -> slice:
        """Return the blocks of a channel."""
        return slice(int(self.start[channel]), int(self.start[channel + 1]))


def blocks_of(trace: Trace, awake: Awake) -> Blocks:
    """Cut the time of a recording into blocks, each channel's anew where the clock restarts."""
    since_ns = trace.time_ns - _segment_starts(trace)
    place = since_ns // BLOCK_NS
    key = np.stack([trace.channel.astype(np.int64), trace.segment.astype(np.int64), place], axis=1)
    packed, number = _ranked(key)
    channels = packed[:, 0]
    start = np.searchsorted(channels, np.arange(len(trace.channels) + 1))
    first_ns = np.full(len(packed), np.iinfo(np.int64).max)
    np.minimum.at(first_ns, number, trace.time_ns - since_ns % BLOCK_NS)
    return Blocks(
        number=number,
        start=start,
        start_s=(first_ns - trace.start_ns) / NANOSECONDS_PER_SECOND,
        awake_s=_awake_s(trace, awake, number, first_ns, channels),
    )


def _segment_starts(trace: Trace) -> Ints:
    """Return for each row the earliest stamp of its stretch between two restarts of the clock, int64 (n,)."""
    if not len(trace):
        return np.zeros(0, np.int64)
    border = np.append(0, np.flatnonzero(np.diff(trace.segment)) + 1)
    earliest = np.minimum.reduceat(trace.time_ns, border)
    return np.repeat(earliest, np.diff(np.append(border, len(trace))))


def _ranked(key: Ints) -> tuple[Ints, Ints]:
    """Return the different rows of a key in order, and the rank of each row among them."""
    if not len(key):
        return key, np.zeros(0, np.int64)
    changes = np.append(True, (key[1:] != key[:-1]).any(axis=1))
    runs = key[changes]  # neighbouring rows mostly share a block, so that few keys need sorting
    known, rank = np.unique(runs, axis=0, return_inverse=True)
    return known, rank.reshape(-1)[np.cumsum(changes) - 1].astype(np.int64)


def _awake_s(trace: Trace, awake: Awake, number: Ints, first_ns: Ints, channels: Ints) -> Floats:
    """Return how long each block's channel was awake in it [s]: from its first to its last moment, less silences."""
    count = len(first_ns)
    begin_ns, end_ns = first_ns.copy(), first_ns + BLOCK_NS
    heard = trace.kind != Kind.ERROR
    low_ns = np.full(count, np.iinfo(np.int64).max)
    high_ns = np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(low_ns, number[heard], trace.time_ns[heard])
    np.maximum.at(high_ns, number[heard], trace.time_ns[heard])
    known = low_ns <= high_ns
    is_first = np.append(True, np.diff(channels) != 0)[:count]
    is_first[1:] |= first_ns[1:] != first_ns[:-1] + BLOCK_NS
    is_last = np.append(is_first[1:], True)[:count]
    begin_ns[is_first & known] = low_ns[is_first & known]
    end_ns[is_last & known] = high_ns[is_last & known]
    out = np.where(known, (end_ns - begin_ns) / NANOSECONDS_PER_SECOND, 0.0)
    for before, after in zip(awake.before.tolist(), awake.after.tolist(), strict=True):
        from_ns, to_ns = int(trace.time_ns[before]), int(trace.time_ns[after])
        first, last = int(number[before]), int(number[after])
        if first == last:
            out[first] -= (to_ns - from_ns) / NANOSECONDS_PER_SECOND
        else:
            out[first] -= max(0, int(end_ns[first]) - from_ns) / NANOSECONDS_PER_SECOND
            out[last] -= max(0, to_ns - int(begin_ns[last])) / NANOSECONDS_PER_SECOND
    return np.maximum(out, 0.0)


def control_signs(blocks: Blocks, channel: int, track: Track | None) -> str:
    """Return one sign for each block of a channel: on, off, or changing; empty without a control."""
    if track is None or not len(track.time_s):
        return ""
    start_s = blocks.start_s[blocks.of(channel)]
    stop_s = start_s + BLOCK_S
    starts = track.at(np.maximum(start_s, track.time_s[0]))
    steps = np.searchsorted(track.time_s, stop_s, "left") - np.searchsorted(
        track.time_s, np.maximum(start_s, track.time_s[0]), "right"
    )
    signs = {ON: STATES["on"], OFF: STATES["off"]}
    pairs = zip(starts.tolist(), steps.tolist(), strict=True)
    return "".join(CHANGING if changed > 0 else signs.get(state, CHANGING) for state, changed in pairs)


# Moved bits: in how many blocks each payload bit of each identifier took both values.


WORD_BYTES = 8
FEWEST_FRAMES = 2
"""A bit cannot move in fewer."""


def moved_bits(payload: Payload, streams: Streams, group: Ints, count: Ints) -> list[Bools]:
    """Tell which bits moved in each group of frames.

    Parameters
    ----------
    group
        int64 (j,): where in ``streams.rows`` each group of neighbouring frames begins, ascending.
    count
        int64 (j,): frames of each group.

    Returns
    -------
    list
        For each 8 bytes of the longest payload a bool (j, 64): bit n of word w is the DBC bit number 64 w + n.
    """
    out = []
    for word in _columns(payload, streams):
        differs = np.bitwise_or.reduceat(word, group) ^ np.bitwise_and.reduceat(word, group)
        differs[count < FEWEST_FRAMES] = 0
        out.append(np.unpackbits(differs.view(np.uint8).reshape(-1, WORD_BYTES), axis=1, bitorder="little") > 0)
    return out


def _columns(payload: Payload, streams: Streams) -> Iterator[Words]:
    """Yield the payloads of all streams, frame by frame, eight bytes at a time, as uint64 (m,)."""
    if not len(streams.rows):
        return
    yield payload.words.take(streams.rows)
    if not len(payload.long_rows):
        return
    longest = int(payload.length.max())
    for start in range(WORD_BYTES, longest, WORD_BYTES):
        column = np.zeros(len(payload), "<u8")
        part = np.ascontiguousarray(payload.long[:, start : start + WORD_BYTES])
        column[payload.long_rows] = part.view("<u8")[:, 0]
        yield column[streams.rows]


MICROSECONDS = 1e6
INTERVAL_SQUARES = 2.0
"""An interval is a difference of two frames' deviations, so that its variance is twice theirs."""


def cut_down(
    trace: Trace, database: Database, planned: Bus, *, control: Track | None = None, quiet: QuietBaseline | None = None
) -> Baseline:
    """Cut a recording down to what another one can be compared with.

    Parameters
    ----------
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
        bit_rates={name: each.shown.bit_rate for name, each in loads.items()},
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


def _moved(parts: _Parts, group: slice, at: Ints, signs: str) -> tuple[dict[State, tuple[int, ...]], dict[State, int]]:
    """Count by state in how many blocks each bit moved, and in how many it could."""
    enough = parts.frames[group] >= FEWEST_FRAMES
    bits = np.concatenate([word[group] for word in parts.moved], axis=1)
    letters = np.array(list(signs) or [""])
    moved: dict[State, tuple[int, ...]] = {}
    moved_of: dict[State, int] = {}
    every: dict[State, str | None] = {AWAKE: None, **STATES}
    for state, sign in every.items():
        which = enough if sign is None else enough & (letters[at] == sign if signs else np.zeros(len(at), np.bool_))
        if not which.any():
            continue
        counts = bits[which].sum(axis=0)
        used = int(np.max(np.flatnonzero(counts), initial=-1)) + 1
        moved[state] = tuple(counts[:used].tolist())
        moved_of[state] = int(which.sum())
    return moved, moved_of
