"""Layouts: the columns of one line, and the reading of all lines that share them.

The grammar of a format is asked about one line; its answer is compiled into a :class:`Layout`. From then on all
lines with the same columns are compared with the layout and converted at once, sixty-four bits at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.readers.grammar import Constants, FrameLine, Span
from canlens.readers.words import (
    HIGH_BITS,
    WIDTH,
    Words,
    byte_mask,
    digits_to_numbers,
    hex_values,
    pairs_to_bytes,
    repeated,
)

ZEROES: Final = repeated(0x30)
UPPER: Final = 0x67
LOWER: Final = 0x47
FRACTION_DIGITS: Final = 9
PITCHES: Final = (2, 3)
TOP_BIT: Final = np.uint64(1 << 63)


class Piece(NamedTuple):
    """Up to eight neighbouring columns as one word.

    Attributes
    ----------
    at
        Column of the word's lowest byte; may lie before the line.
    mask
        The bytes of the word that belong to the piece.
    digits
        How many they are.
    """

    at: int
    mask: int
    digits: int


class Columns(NamedTuple):
    """What was read from the lines of one layout.

    Attributes
    ----------
    time_ns, identifier, first8
        uint64 (m,) each; the payload's first eight bytes as one word.
    long
        uint8 (m, 64), or ``None`` where no payload is longer than eight bytes.
    bad
        bool (m,): lines that do not fit the layout after all, or ``None`` where all do.
    """

    time_ns: Words
    identifier: Words
    first8: Words
    long: npt.NDArray[np.uint8] | None
    bad: npt.NDArray[np.bool_] | None


@dataclass(frozen=True, eq=False)
class Layout:
    """The columns of one line, compiled.

    Attributes
    ----------
    constants
        What all its frames share.
    words
        How many words of a line are looked at.
    template, bounds, kept
        A number for each word. A line fits when each byte, exclusive-or the template, is at most 0x7F minus the
        bounds' byte; bytes that are not kept may be anything.
    """

    constants: Constants
    words: int
    template: tuple[int, ...]
    bounds: tuple[int, ...]
    kept: tuple[int, ...]
    stamp: tuple[tuple[tuple[Piece, ...], int], ...]
    stamp_scale: int
    may_overflow: bool
    identifier: tuple[Piece, ...]
    base: int
    payload: tuple[Piece, ...]
    pitch: int
    letter_step: int

    def convert(self, words: Words) -> Columns:
        """Compare lines with the layout and read them.

        Parameters
        ----------
        words
            uint64 (words, m): the lines, a column each. Overwritten.
        """
        doubt = self._compare(words)
        time_ns = self._time(words)
        identifier = self._identifier(words, doubt)
        first8, long = self._payload(words, doubt)
        if self.may_overflow:
            doubt |= time_ns & TOP_BIT  # beyond the year 2262
        doubt &= HIGH_BITS
        bad = doubt != 0 if doubt.any() else None
        return Columns(time_ns, identifier, first8, long, bad)

    def _compare(self, words: Words) -> Words:
        """Take the template off the words in place; return a word a line with high bits where it does not fit."""
        doubt = np.zeros(words.shape[1], np.uint64)
        for word, template, bounds, kept in zip(words, self.template, self.bounds, self.kept, strict=False):
            word ^= np.uint64(template)
            if kept != 2**64 - 1:
                word &= np.uint64(kept)
            doubt |= word
            doubt |= word + np.uint64(bounds)
        return doubt

    def _time(self, words: Words) -> Words:
        total = np.zeros(words.shape[1], np.uint64)
        for pieces, power in self.stamp:
            characters = _gathered(words, pieces)
            number = digits_to_numbers(characters, 10, max(piece.digits for piece in pieces))
            number *= np.uint64(power * self.stamp_scale)
            total += number
        return total

    def _identifier(self, words: Words, doubt: Words) -> Words:
        total = np.zeros(words.shape[1], np.uint64)
        for position, piece in enumerate(reversed(self.identifier)):
            values = _cut(words, piece)
            if self.base == 16:  # noqa: PLR2004 – the base
                values, bad = hex_values(values, self.letter_step)
                doubt |= bad
            number = digits_to_numbers(values, self.base, piece.digits)
            total += number * np.uint64(self.base ** (WIDTH * position))
        if self.base == 10 and self.identifier:  # noqa: PLR2004
            doubt |= _above(total, 0x1FFFFFFF if self.constants.is_extended else 0x7FF)
        return total | np.uint64(self.constants.identifier_bits)

    def _payload(self, words: Words, doubt: Words) -> tuple[Words, npt.NDArray[np.uint8] | None]:
        lines = words.shape[1]
        length = self.constants.payload_length
        first8 = np.zeros(lines, np.uint64)
        long = np.zeros((lines, 64), np.uint8) if length > WIDTH else None
        step = 4 if self.pitch == PITCHES[0] else 3
        for number, piece in enumerate(self.payload):
            values, bad = hex_values(_cut(words, piece), self.letter_step)
            doubt |= bad
            joined = pairs_to_bytes(values, self.pitch)
            at = number * step
            if at < WIDTH:
                first8 |= joined << np.uint64(8 * at)
            if long is not None:
                count = min(step, length - at)
                long[:, at : at + count] = joined.view(np.uint8).reshape(lines, WIDTH)[:, :count]
        return first8, long


def _above(numbers: Words, limit: int) -> Words:
    """Return high bits where a number is greater than the limit."""
    return np.where(numbers > limit, HIGH_BITS, np.uint64(0))


def _cut(words: Words, piece: Piece) -> Words:
    """Return the word that starts at any column."""
    if piece.at < 0:
        out = words[0] << np.uint64(-8 * piece.at)
    else:
        number, shift = divmod(piece.at, WIDTH)
        if shift == 0:
            out = words[number].copy()
        else:
            out = words[number] >> np.uint64(8 * shift)
            if number + 1 < len(words) and piece.mask >> (64 - 8 * shift):
                out |= words[number + 1] << np.uint64(64 - 8 * shift)
    if piece.mask != 2**64 - 1:
        out &= np.uint64(piece.mask)
    return out


def _gathered(words: Words, pieces: tuple[Piece, ...]) -> Words:
    out = _cut(words, pieces[0])
    for piece in pieces[1:]:
        out |= _cut(words, piece)
    return out


def _right_aligned(columns: Span) -> tuple[Piece, ...]:
    """Cut a number into words, the last eight digits in the last word."""
    pieces: list[Piece] = []
    stop = columns.stop
    while stop > columns.start:
        digits = min(WIDTH, stop - columns.start)
        pieces.insert(0, Piece(stop - WIDTH, byte_mask(WIDTH - digits, WIDTH), digits))
        stop -= digits
    return tuple(pieces)


def _stamp_pieces(seconds: Span, fraction: Span) -> tuple[tuple[tuple[Piece, ...], int], ...]:
    """Cut the digits on both sides of the decimal sign into words of eight, and give each its power of ten."""
    columns = [*range(seconds.start, seconds.stop), *range(fraction.start, fraction.stop)]
    out = []
    power = 1
    while columns:
        taken, columns = columns[-WIDTH:], columns[:-WIDTH]
        runs: dict[int, list[int]] = {}
        for place, column in enumerate(taken, WIDTH - len(taken)):
            runs.setdefault(column - place, []).append(place)
        pieces = tuple(Piece(at, byte_mask(places[0], places[-1] + 1), len(taken)) for at, places in runs.items())
        out.append((pieces, power))
        power *= 10**WIDTH
    return tuple(out)


def _payload_pieces(columns: Span, pitch: int, length: int) -> tuple[Piece, ...]:
    step = 4 if pitch == PITCHES[0] else 3
    pieces = []
    for first in range(0, length, step):
        mask = sum(0xFFFF << 8 * pitch * byte for byte in range(min(step, length - first)))
        pieces.append(Piece(columns.start + pitch * first, mask, WIDTH))
    return tuple(pieces)


def pitch_of(frame: FrameLine, line: bytes) -> int:
    """Return how many columns lie between two data bytes; 0 where that differs from byte to byte."""
    length = frame.constants.payload_length
    width = frame.payload.stop - frame.payload.start
    if length == 0 or width == 2 * length:
        return 2
    text = line[frame.payload.start : frame.payload.stop]
    regular = frame.base == 16 and width == 3 * length - 1 and len(text.split()) == length  # noqa: PLR2004
    return 3 if regular and all(text[at : at + 1].isspace() for at in range(2, width, 3)) else 0


def compile_layout(frame: FrameLine, line: bytes) -> Layout | None:
    """Make the layout of a line, or ``None`` where its data bytes stand at no regular distance."""
    pitch = pitch_of(frame, line)
    length = frame.constants.payload_length
    if not pitch or (frame.base == 10 and length):  # noqa: PLR2004
        return None
    letters = line[frame.identifier.start : frame.identifier.stop] + line[frame.payload.start : frame.payload.stop]
    count = -(-frame.stop // WIDTH)
    size = count * WIDTH
    template, bound, kept = bytearray(size), bytearray(size), bytearray(size)
    template[: frame.stop] = line[: frame.stop]
    bound[: frame.stop] = b"\x7f" * frame.stop
    kept[: frame.stop] = b"\xff" * frame.stop
    for span in (frame.seconds, frame.fraction, *frame.passed_over):
        _allow(template, bound, span, 9)
    _allow(template, bound, frame.identifier, 9 if frame.base == 10 else 0x7F)  # noqa: PLR2004
    if frame.identifier.start < frame.identifier.stop and frame.largest_first < frame.base:
        bound[frame.identifier.start] = 0x7F - frame.largest_first
    for byte in range(length):
        at = frame.payload.start + pitch * byte
        _allow(template, bound, Span(at, at + 2), 0x7F)
    for span in frame.unread:
        kept[span.start : span.stop] = bytes(span.stop - span.start)
        bound[span.start : span.stop] = bytes(span.stop - span.start)
    digits = frame.fraction.stop - frame.fraction.start
    return Layout(
        constants=frame.constants,
        words=count,
        template=_as_words(template),
        bounds=_as_words(bound),
        kept=_as_words(kept),
        stamp=_stamp_pieces(frame.seconds, frame.fraction),
        stamp_scale=10 ** (FRACTION_DIGITS - digits),
        may_overflow=frame.seconds.stop - frame.seconds.start > FRACTION_DIGITS,
        identifier=_right_aligned(frame.identifier),
        base=frame.base,
        payload=_payload_pieces(frame.payload, pitch, length),
        pitch=pitch,
        letter_step=LOWER if letters != letters.upper() else UPPER,
    )


def _allow(template: bytearray, bound: bytearray, span: Span, largest: int) -> None:
    """Let the bytes of a span be digits up to ``largest``, or (0x7F) any character that is checked later."""
    width = span.stop - span.start
    template[span.start : span.stop] = b"0" * width
    bound[span.start : span.stop] = bytes([0x7F - largest]) * width


def _as_words(columns: bytearray) -> tuple[int, ...]:
    return tuple(np.frombuffer(bytes(columns), np.uint64).tolist())


def spelled(frame: FrameLine, line: bytes) -> tuple[FrameLine, bytes]:
    """Write a line of any spelling anew, in the one spelling that has fixed columns.

    Lines of odd spelling (numbers without leading zeros, decimal data, uneven blanks) thus become alike, and are
    read by a layout as all others are.
    """
    seconds, fraction, number = (
        line[span.start : span.stop] for span in (frame.seconds, frame.fraction, frame.identifier)
    )
    text = line[frame.payload.start : frame.payload.stop]
    if frame.base == 10:  # noqa: PLR2004 – the base
        payload = bytes(map(int, text.split())).hex().encode()
    elif pitch_of(frame, line) == PITCHES[0]:
        payload = text
    else:
        payload = b"".join(byte.rjust(2, b"0") for byte in text.split())
    identifier = int(number or b"0", frame.base)
    new = seconds.rjust(10, b"0") + fraction.ljust(9, b"0") + b"%08X" % identifier + payload.upper()
    columns = FrameLine(
        constants=frame.constants,
        seconds=Span(0, 10),
        fraction=Span(10, 19),
        identifier=Span(19, 27),
        base=16,
        largest_first=1,
        payload=Span(27, len(new)),
        stop=len(new),
    )
    return columns, new
