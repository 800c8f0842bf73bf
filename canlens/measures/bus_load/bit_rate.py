"""Bit rate: inferred from frames that follow each other without a pause, or the given one held against the stamps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens import wire
from canlens.nouns.bus import BitRateConflict
from canlens.trace import NANOSECONDS_PER_SECOND, Kind, Trace

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools


USUAL_BIT_RATES = (10_000, 20_000, 33_333, 50_000, 83_333, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates in use [bit/s]; 1 Mbit/s is the highest nominal one (ISO 11898-2)."""

CLOCK_TOLERANCE = 0.01
"""Sender and recorder may each be off by 0.5 % (Bosch CAN 2.0, 1991, section 7.1 of part A)."""
EARLY_START_BITS = 1
"""A dominant third bit of intermission already starts a frame (Bosch CAN 2.0, part B 3.1.5): one bit less is legal."""
FEWEST_FITTING = 3
"""Fewest pairs of lengths whose gap must fit; two can agree by chance, and one pair sent again proves no more."""
CHANCE = 1e-4
"""Highest probability that so many gaps fit by chance, if gaps were spread evenly up to twice a frame's length."""
LEAST_FITTING_SHARE = 1e-3
"""Least share of the gaps that must fit: in a long recording single gaps fit any bit rate by chance."""
FITTING_PER_TOO_SHORT = 100
"""So many gaps must fit for each that the bit rate would not allow."""
FITTING_PER_LONGER = 3
"""So many gaps must fit for each in the stretch of the same width above: frames without a pause pile up at one gap."""
MOST_IMPOSSIBLE_SHARE = 0.01
"""Above this share of gaps too short even for 1 Mbit/s, the stamps are not those of a bus."""
COARSEST_TICK_BITS = 6
"""A clock that steps by more bits than this cannot show which gaps are full."""
LIKELIHOOD_GAIN = 6.0
"""How much worse every rival must fit, in squared standard errors (20 : 1)."""


class InferredBitRate(NamedTuple):
    """A bit rate [bit/s], None where it cannot be told, and why, as a sentence."""

    bit_rate: int | None
    reason: str


LONGER_THAN_FRAMES = 2.0**20
"""No frame has so many bits, so that two lengths make one number, which is quicker to sort than pairs."""


@dataclass(frozen=True, eq=False)
class _Gaps:
    """Gaps between neighbours [s]; bits, with intermission, of the frame that would fill each and of the other."""

    stamps: str
    frame: str
    gap_s: Floats
    bits: Floats
    other_bits: Floats
    tick_s: float

    def bounds_s(self, bit_rate: int) -> tuple[Floats, Floats]:
        """Return the shortest and longest gap that fits each frame at a bit rate."""
        shortest = (self.bits - EARLY_START_BITS) / bit_rate * (1 - CLOCK_TOLERANCE) - self.tick_s
        return shortest, self.bits / bit_rate * (1 + CLOCK_TOLERANCE) + self.tick_s

    def too_short(self, bit_rate: int) -> int:
        """Count the gaps that a bit rate would not allow."""
        return int((self.gap_s < self.bounds_s(bit_rate)[0]).sum())

    def fitting(self, bit_rate: int) -> _Gaps | None:
        """Return the gaps that are just filled by their frame, if they pile up at this bit rate; else None."""
        shortest, longest = self.bounds_s(bit_rate)
        fits = (self.gap_s >= shortest) & (self.gap_s <= longest)
        longer = (self.gap_s > longest) & (self.gap_s <= 2 * longest - shortest)
        fewest = max(
            FEWEST_FITTING,
            LEAST_FITTING_SHARE * len(fits),
            FITTING_PER_TOO_SHORT * self.too_short(bit_rate),
            FITTING_PER_LONGER * int(longer.sum()),
        )
        return self._only(fits) if fits.sum() >= fewest else None

    def is_chance(self, fitting: _Gaps, bit_rate: int) -> bool:
        """Tell whether so many gaps may fit by chance, gaps being spread evenly up to twice the length of a frame."""
        shortest, longest = self.bounds_s(bit_rate)
        around = self._only((self.gap_s > longest) & (self.gap_s <= 2 * longest)).pairs + 1
        expected = around * float((1 - shortest / longest).mean())
        return fitting.pairs < FEWEST_FITTING or _log_chance(fitting.pairs, expected) > math.log(CHANCE)

    @property
    def pairs(self) -> int:
        """Number of different pairs of lengths."""
        return len(np.unique(self.bits * LONGER_THAN_FRAMES + self.other_bits))

    def _only(self, which: Bools) -> _Gaps:
        """Return some of the gaps."""
        columns = (self.gap_s[which], self.bits[which], self.other_bits[which])
        return _Gaps(self.stamps, self.frame, *columns, self.tick_s)

    def grow_with_bits(self, bit_rate: int) -> bool:
        """Tell whether the gaps grow with the bits at this bit rate, and no rival explains them as well.

        Rivals are the faster bit rates, with a fixed pause between frames and with frames that start at fixed
        times.
        """
        own = self._spread(self.bits / bit_rate)
        error = max(self.tick_s**2 / 6, own / len(self.gap_s))
        rivals = [0 * self.bits]
        for rate in USUAL_BIT_RATES:
            if rate > bit_rate:
                rivals += [self.bits / rate, (self.bits - self.other_bits) / rate]
        return all(self._spread(rival) - own >= LIKELIHOOD_GAIN * error for rival in rivals)

    def _spread(self, explained_s: Floats) -> float:
        """Return the squared spread of what remains of the gaps [s²]."""
        rest_s = self.gap_s - explained_s
        return float(((rest_s - rest_s.mean()) ** 2).sum())


def _log_chance(number: int, expected: float) -> float:
    """Bound the logarithm of the probability that a Poisson count reaches ``number`` (Chernoff's bound)."""
    if number <= expected:
        return 0.0
    return number - expected + number * math.log(expected / number)


def inferred_bit_rate(trace: Trace) -> InferredBitRate:
    """Infer the nominal bit rate of one channel from frames that follow each other without a pause.

    Such frames lie exactly as far apart as one of them is long with its intermission: the later one where the
    recorder stamps the end of a frame, the earlier one where it stamps the start. Both are tried.

    Parameters
    ----------
    trace
        Frames of one channel, in the order in which they were on the bus.

    Returns
    -------
    InferredBitRate
        One of :data:`USUAL_BIT_RATES`, or None. It would rather say nothing than something wrong: the gaps
        must pile up at the length of their frame, hardly one may be shorter, and they must grow with the
        number of bits as they do at no other bit rate.
    """
    ends, starts = _gaps(trace)
    if len(np.unique(trace.channel)) > 1:
        return InferredBitRate(None, "The frames are of several channels, each of which has its own bit rate.")
    impossible = _impossible(ends, starts)
    if impossible:
        return InferredBitRate(None, impossible)
    tick_s = ends.tick_s
    found: dict[int, _Gaps] = {}
    piled_up = False
    for gaps in (ends, starts):
        for bit_rate in USUAL_BIT_RATES:
            fitting = gaps.fitting(bit_rate) if tick_s * bit_rate <= COARSEST_TICK_BITS else None
            piled_up |= fitting is not None
            if fitting and not gaps.is_chance(fitting, bit_rate) and fitting.grow_with_bits(bit_rate):
                found.setdefault(bit_rate, fitting)
    if len(found) == 1:
        bit_rate, gaps = next(iter(found.items()))
        return InferredBitRate(bit_rate, _because(bit_rate, gaps, number=len(ends.gap_s)))
    return InferredBitRate(None, _why_not(ends, several=len(found) > 1, piled_up=piled_up))


def _gaps(trace: Trace) -> tuple[_Gaps, _Gaps]:
    """Return the gaps for stamps at the end and at the start of frames.

    A gap counts where both neighbours are frames, the clock did not restart between them, and the frame that
    would fill it does not switch to a data bit rate.
    """
    held = (trace.exact_bits() + wire.INTERMISSION_BITS).astype(np.float64)
    is_frame = trace.kind != Kind.ERROR
    is_pair = is_frame[1:] & is_frame[:-1] & (np.diff(trace.segment) == 0)
    is_plain = ~(wire.is_fd_on_wire(trace) & trace.bit_rate_switch)
    gap_s = np.diff(trace.time_ns) / NANOSECONDS_PER_SECOND
    tick_s = _tick_s(trace)
    later, earlier = is_pair & is_plain[1:], is_pair & is_plain[:-1]
    return (
        _Gaps("end", "later", gap_s[later], held[1:][later], held[:-1][later], tick_s),
        _Gaps("start", "earlier", gap_s[earlier], held[:-1][earlier], held[1:][earlier], tick_s),
    )


def _tick_s(trace: Trace) -> float:
    """Return the step of the recorder's clock [s]: the largest power of ten that divides all stamps, at most 1 s."""
    step_ns = int(np.gcd.reduce(trace.time_ns - trace.start_ns)) if len(trace) else 0
    power = next(power for power in range(9, -1, -1) if step_ns % 10**power == 0)
    return float(10**power) / NANOSECONDS_PER_SECOND


def _impossible(ends: _Gaps, starts: _Gaps) -> str:
    """Say so if the stamps cannot be those of a bus, however fast; else return nothing."""
    fastest = USUAL_BIT_RATES[-1]
    gaps = min((ends, starts), key=lambda gaps: gaps.too_short(fastest))
    if gaps.too_short(fastest) <= MOST_IMPOSSIBLE_SHARE * len(gaps.gap_s):
        return ""
    worst = int(np.argmin(gaps.gap_s - gaps.bits / fastest))
    return (
        f"{gaps.too_short(fastest)} of {len(gaps.gap_s)} gaps are too short for any bus, such as "
        f"{_time_words(float(gaps.gap_s[worst]))} for {gaps.bits[worst]:.0f} bits: "
        "the stamps are those of a virtual bus, or of a recorder that stamps frames late and in bunches."
    )


def _because(bit_rate: int, gaps: _Gaps, *, number: int) -> str:
    """Say what speaks for the bit rate found."""
    return (
        f"{len(gaps.gap_s)} of {number} gaps are just filled by the {gaps.frame} frame and its intermission at "
        f"{bit_rate / 1000:g} kbit/s ({gaps.bits.min():.0f} to {gaps.bits.max():.0f} bits); stamps are taken at the "
        f"{gaps.stamps} of a frame."
    )


def _why_not(gaps: _Gaps, *, several: bool, piled_up: bool) -> str:
    """Say why no bit rate was found."""
    if len(gaps.gap_s) < FEWEST_FITTING:
        gap = "gap" if len(gaps.gap_s) == 1 else "gaps"
        return f"Only {len(gaps.gap_s)} {gap} between frames can be used, at least {FEWEST_FITTING} are needed."
    if several:
        return "The gaps between frames fit more than one bit rate."
    if piled_up:
        return (
            "Some gaps are as long as a frame, but the frames differ too little in length to tell a pause between "
            "them from slower bits."
        )
    if gaps.tick_s * USUAL_BIT_RATES[-1] > COARSEST_TICK_BITS:
        return (
            f"The stamps step by {_time_words(gaps.tick_s)}, too coarse a clock to tell frames without a pause between "
            "them at the higher bit rates, and none of the lower ones fits."
        )
    return "No bit rate in use explains the shortest gaps: too few frames follow each other without a pause."


def _time_words(seconds: float) -> str:
    """Write a short time with a fitting unit."""
    return f"{seconds * 1e6:g} µs" if seconds < 1e-3 else f"{seconds * 1e3:g} ms"  # noqa: PLR2004 – 1 ms


# Given bit rate: whether the stamps of a recording contradict the bit rate that was given for it.


LOOKED_AT = 20_000
"""Frames that are looked at; more of them would not change the answer."""
TOO_SHORT_SHARE = 0.1
"""Share of gaps too short for the given rate that contradicts it; recorders that stamp late shorten single gaps."""
FEWEST_GAPS = 20


def bit_rate_conflict(trace: Trace, given: int | None) -> BitRateConflict | None:
    """Find out whether the stamps contradict a given bit rate.

    Parameters
    ----------
    given
        Nominal bit rate [bit/s]; None: none was given.

    Returns
    -------
    BitRateConflict
        None where nothing was given, the stamps agree, or they cannot tell.
    """
    if given is None or not len(trace):
        return None
    part = trace.where(slice(0, LOOKED_AT)) if len(trace) > LOOKED_AT else trace
    inferred = inferred_bit_rate(part)
    if inferred.bit_rate is not None:
        agrees = abs(inferred.bit_rate / given - 1) <= 2 * CLOCK_TOLERANCE
        return None if agrees else BitRateConflict(given, inferred.bit_rate, inferred.reason)
    short, gaps = _too_short(part, given)
    if gaps < FEWEST_GAPS or short <= TOO_SHORT_SHARE * gaps or _too_short(part, USUAL_BIT_RATES[-1])[0]:
        return None
    words = f"{short} of {gaps} gaps between frames are too short for a frame at {given / 1000:g} kbit/s."
    return BitRateConflict(given, None, words)


def _too_short(trace: Trace, bit_rate: int) -> tuple[int, int]:
    """Count the gaps that are shorter than either of their frames at a bit rate, and all gaps."""
    is_frame = trace.kind != Kind.ERROR
    is_pair = is_frame[1:] & is_frame[:-1] & (np.diff(trace.segment) == 0)
    bits = trace.exact_bits()
    at_data_rate = wire.data_rate_bits(trace)
    least = np.minimum(bits[1:] - at_data_rate[1:], bits[:-1] - at_data_rate[:-1])[is_pair]
    gap_s = (np.diff(trace.time_ns) / NANOSECONDS_PER_SECOND)[is_pair]
    tick_s = trace.source.stamp_resolution_ns / NANOSECONDS_PER_SECOND
    return int((gap_s + tick_s < least / bit_rate * (1 - CLOCK_TOLERANCE)).sum()), len(gap_s)
