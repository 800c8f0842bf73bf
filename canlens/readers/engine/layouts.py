"""Layouts: the columns of one line, and the reading of all lines that share them.

The grammar of a format is asked about one line; its answer is compiled into a :class:`Layout`. From then on all
lines with the same columns are compared with the layout and converted at once, eight characters at a time. A line
is seen as a head of fixed columns, a run of data bytes and a tail; what fixed columns must hold is a
:class:`Template`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.readers.engine.digits import (
    HIGH_BITS,
    WIDTH,
    Words,
    bytes_of_pairs,
    bytes_of_triplets,
    digits_to_numbers,
    gather,
    hex_values,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.readers.engine.grammar import Constants

Text = npt.NDArray[np.uint8]
Places = npt.NDArray[np.int64]

FULL: Final = 2**64 - 1
PAIRS: Final = 2
WORDS_OF_EIGHT: Final = {2: 2, 3: 3}
"""Words that hold eight data bytes, by pitch."""
CHANNEL_BIT: Final = 48
TOP_BIT: Final = np.uint64(1 << 63)
LONGEST: Final = 64


class ColumnWord(NamedTuple):
    """Up to eight neighbouring columns as one word.

    Attributes
    ----------
    at
        Column of the word's lowest byte; may lie before the line.
    mask
        The bytes of the word that belong to the piece.
    """

    at: int
    mask: int
    digits: int


def compare_word(word: Words, expected: int, bounds: int, kept: int, doubt: Words) -> None:
    """Take one word of a template off the lines in place; set high bits of ``doubt`` where it does not fit."""
    word ^= np.uint64(expected)
    if kept != FULL:
        word &= np.uint64(kept)
    over = word + np.uint64(bounds)
    over |= word
    doubt |= over


class Template(NamedTuple):
    """What some columns must hold, a number for each word.

    A line fits when each kept byte, exclusive-or ``expected``, is at most 0x7F minus the byte of ``bounds``.
    """

    expected: tuple[int, ...]
    bounds: tuple[int, ...]
    kept: tuple[int, ...]

    def compare(self, words: Words) -> Words:
        """Take the template off the words in place; return a word a line with high bits where it does not fit."""
        doubt = np.zeros(words.shape[1], np.uint64)
        for number, word in enumerate(words):
            compare_word(word, self.expected[number], self.bounds[number], self.kept[number], doubt)
        return doubt

    def misfits(self, words: Words) -> npt.NDArray[np.intp] | None:
        """Tell which lines do not fit, ``None`` if all do; the words are overwritten."""
        doubt = self.compare(words)
        doubt &= HIGH_BITS
        return np.flatnonzero(doubt) if doubt.any() else None


@dataclass(frozen=True)
class Data:
    """The run of data bytes of a layout.

    Attributes
    ----------
    run, pitch
        As in :class:`canlens.readers.engine.grammar.FrameLine`.
    length
        Bytes in each line; -1: it differs, zero to eight.
    lead
        What the character before the first data byte has, exclusive-or, in place of the one between the others.
    counted
        Column of the digit that tells the length; -1: the end of the line does.
    expected, over_9, over_15
        Words for the characters of eight data bytes, see :func:`canlens.readers.engine.digits.hex_values`.
    kept
        uint64 (9, words): the bytes that belong to so many data bytes.
    """

    run: int
    pitch: int
    lead: int
    length: int
    counted: int
    expected: tuple[int, ...]
    over_9: tuple[int, ...]
    over_15: tuple[int, ...]
    kept: Words

    def read(self, words: list[Words], lengths: Words | None, step: int, doubt: Words) -> Words:
        """Read eight data bytes of each line.

        Parameters
        ----------
        words
            uint64 (n,) each: their characters. Overwritten.
        lengths
            How many of the eight there are; ``None``: as many in all lines.
        doubt
            High bits are set where a character is no digit.

        Returns
        -------
        uint64 (n,)
            0 behind the last byte.
        """
        for number, characters in enumerate(words):
            np.bitwise_xor(characters, np.uint64(self.expected[number]), out=characters)
            kept = self.kept[8, number] if lengths is None else self.kept[:, number].take(lengths.view(np.int64))
            np.bitwise_and(characters, kept, out=characters)
            words[number], bad = hex_values(characters, step, self.over_9[number], self.over_15[number])
            doubt |= bad
        return bytes_of_pairs(words) if self.pitch == PAIRS else bytes_of_triplets(words)


def unlike_all(templates: Sequence[Template], text: Text, starts: Places, length: int) -> npt.NDArray[np.intp]:
    """Tell which texts of one length fit none of some templates."""
    left = np.arange(len(starts))
    if not templates:
        return left
    words = gather(text, starts, -(-length // WIDTH))
    for template in templates:
        misfits = template.misfits(words.copy())
        if misfits is None:
            return left[:0]
        left, words = left.take(misfits), words.take(misfits, axis=1)
    return left


def cut(words: Words, piece: ColumnWord) -> Words:
    """Return the word that starts at any column."""
    out: Words
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
    if piece.mask != FULL:
        out &= np.uint64(piece.mask)
    return out


class BlockLines(NamedTuple):
    """Some lines of a block: their numbers in it, their places in its text and their lengths."""

    rows: npt.NDArray[np.intp]
    starts: Places
    lengths: Places

    def of(self, which: npt.NDArray[np.intp]) -> BlockLines:
        """Return some of them."""
        return BlockLines(self.rows.take(which), self.starts.take(which), self.lengths.take(which))


class Columns(NamedTuple):
    """What was read from the lines of one layout.

    Attributes
    ----------
    rows
        Which lines they are.
    time_ns, identifier, first8
        uint64 (m,) each; the payload's first eight bytes as one word.
    shared
        uint64 (m,): see :func:`packed`.
    long
        uint8 (m, 64), or ``None`` where no payload is longer than eight bytes.
    """

    rows: npt.NDArray[np.intp]
    time_ns: Words
    identifier: Words
    first8: Words
    shared: Words
    long: Text | None


def with_tails(
    known: dict[int, tuple[Template, ...]], new: dict[int, tuple[Template, ...]], most: int
) -> dict[int, tuple[Template, ...]]:
    """Return tails by length with some more; of one length those of longest standing make room."""
    out = dict(known)
    for width, templates in new.items():
        old = tuple(template for template in out.get(width, ()) if template not in templates)
        out[width] = (*old[-most + 1 :], *templates)
    return out


@dataclass(eq=False)
class Layout:
    """The columns of one line, compiled; it learns more names of channels and more tails as they are met.

    Attributes
    ----------
    constants
        What all its frames share; the channel apart, and the length where that differs.
    probe
        The word of the head that tells this layout from others best.
    words
        How many words of a line it looks at, apart from tails and from data behind the eighth byte.
    stamp
        Digits of the time stamp, eight a time from the right, and the power of ten of each.
    channels
        Names met so far, as words, and their numbers; ``channel`` says where they stand.
    tail_kind
        As in the grammar; where it is told, whoever asks for the reading compares the tails.
    tails
        What may follow the data bytes, by its length.
    hits
        Lines read by it in the block before.
    """

    constants: Constants
    head: Template
    probe: int
    words: int
    stamp: tuple[tuple[tuple[ColumnWord, ...], int], ...]
    stamp_scale: int
    may_overflow: bool
    channel: ColumnWord
    identifier: tuple[ColumnWord, ...]
    base: int
    data: Data
    letter_step: int
    limits: tuple[tuple[int, int], ...]
    tail_kind: str = ""
    channels: tuple[tuple[int, int], ...] = ()
    tails: dict[int, tuple[Template, ...]] = field(default_factory=dict)
    hits: int = 0

    def learn(
        self, word: int, number: int, tails: dict[int, tuple[Template, ...]], most_channels: int, most_tails: int
    ) -> None:
        """Take in the name of one more channel, and one more tail; those of longest standing make room."""
        if (word, number) not in self.channels:
            self.channels = (*self.channels[-most_channels + 1 :], (word, number))
        self.tails = with_tails(self.tails, tails, most_tails)

    def probed(self, words: Words) -> npt.NDArray[np.bool_] | None:
        """Tell which lines cannot have this layout, ``None`` if all may.

        Parameters
        ----------
        words
            uint64 (n,): word :attr:`probe` of each line.
        """
        doubt = np.zeros(len(words), np.uint64)
        at = self.probe
        compare_word(words.copy(), self.head.expected[at], self.head.bounds[at], self.head.kept[at], doubt)
        doubt &= HIGH_BITS
        return doubt != 0 if doubt.any() else None

    def read(self, text: Text, lines: BlockLines, words: Words) -> Columns:
        """Read those of the lines that fit.

        Parameters
        ----------
        words
            uint64 (:attr:`words`, n): their first words. Overwritten.
        """
        count = len(self.head.expected)
        head = words[:count]
        run = [
            cut(words, ColumnWord(self.data.run + WIDTH * at, FULL, WIDTH))
            for at in range(WORDS_OF_EIGHT[self.data.pitch])
        ]
        if self.data.lead:
            run[0] ^= np.uint64(self.data.lead)
        doubt = self.head.compare(head)
        doubt &= HIGH_BITS
        number = self._channel(head, doubt)
        length = self._length(head, lines.lengths, doubt)
        if not self.tail_kind:
            self._compare_tails(text, lines, length, doubt)
        if doubt.any():
            fits = np.flatnonzero(doubt == 0)
            lines, number = lines.of(fits), number.take(fits)
            head = head.take(fits, axis=1)
            run = [word.take(fits) for word in run]
            length = length.take(fits) if length is not None else None
        return self._convert(text, lines, head, run, number, length)

    def _channel(self, words: Words, doubt: Words) -> Words:
        """Look up the numbers of the channels."""
        name = cut(words, self.channel)
        out = np.zeros(len(name), np.uint64)
        known = np.zeros(len(name), np.bool_)
        for word, number in self.channels:
            same = name == np.uint64(word)
            known |= same
            if number:
                out |= same * np.uint64(number << CHANNEL_BIT)
        doubt |= ~known
        return out

    def _length(self, words: Words, lengths: Places, doubt: Words) -> Words | None:
        """Tell the number of data bytes of each line, ``None`` where all have the same."""
        if self.data.length >= 0:
            return None
        if self.data.counted >= 0:
            return cut(words, ColumnWord(self.data.counted, 0xFF, 1))
        tail = next(iter(self.tails))
        width = (lengths - (self.data.run + tail)).view(np.uint64)
        doubt |= width > WIDTH * self.data.pitch
        doubt |= width & np.uint64(1)
        return width >> np.uint64(1)

    def _compare_tails(self, text: Text, lines: BlockLines, length: Words | None, doubt: Words) -> None:
        """Compare what follows the data bytes."""
        if self.data.length < 0 and self.data.counted < 0 and 0 in self.tails:
            return  # the end of the line told the length
        stop = self.data.run + self.data.pitch * (self.data.length if length is None else length.view(np.int64))
        over = lines.lengths - stop
        first = int(over[0])
        if np.all(over == first):
            self._compare_tail(text, lines.starts + stop, first, slice(None), doubt)
            return
        over[(doubt != 0) | (over < 0)] = -1
        for tail in (np.flatnonzero(np.bincount(over + 1)) - 1).tolist():
            rows = np.flatnonzero(over == tail)
            ends = lines.starts[rows] + lines.lengths[rows] - tail
            self._compare_tail(text, ends, tail, rows, doubt)

    def _compare_tail(
        self, text: Text, ends: Places, tail: int, rows: npt.NDArray[np.intp] | slice, doubt: Words
    ) -> None:
        """Compare tails of one length with those that were met before."""
        known = self.tails.get(tail, ())
        if tail or not known:
            misfits = unlike_all(known, text, ends, tail)
            doubt[misfits if isinstance(rows, slice) else rows.take(misfits)] = 1

    def _convert(
        self, text: Text, lines: BlockLines, head: Words, run: list[Words], shared: Words, length: Words | None
    ) -> Columns:
        """Turn digits into numbers; lines whose digits are none are left out after all."""
        doubt = np.zeros(len(lines.rows), np.uint64)
        time_ns = self._time(head)
        if self.may_overflow:
            doubt |= time_ns & TOP_BIT  # beyond the year 2262
        identifier = self._identifier(head, doubt)
        first8 = self.data.read(run, length, self.letter_step, doubt)
        long = self._long(text, lines.starts, first8, doubt) if self.data.length > WIDTH else None
        shared |= np.uint64(packed(self.constants))
        if length is not None:
            shared |= length * np.uint64(0x0101)
        doubt &= HIGH_BITS
        if not doubt.any():
            return Columns(lines.rows, time_ns, identifier, first8, shared, long)
        good = np.flatnonzero(doubt == 0)
        return Columns(
            lines.rows.take(good),
            time_ns.take(good),
            identifier.take(good),
            first8.take(good),
            shared.take(good),
            long[good] if long is not None else None,
        )

    def _time(self, words: Words) -> Words:
        total = np.zeros(words.shape[1], np.uint64)
        for pieces, power in self.stamp:
            characters = cut(words, pieces[0])
            for piece in pieces[1:]:
                characters |= cut(words, piece)
            number = digits_to_numbers(characters, 10, pieces[0].digits)
            number *= np.uint64(power * self.stamp_scale)
            total += number
        return total

    def _identifier(self, words: Words, doubt: Words) -> Words:
        total = np.zeros(words.shape[1], np.uint64)
        for position, piece in enumerate(reversed(self.identifier)):
            values = cut(words, piece)
            if self.base == 16:  # noqa: PLR2004 – the base
                values, bad = hex_values(values, self.letter_step, *self.limits[position])
                doubt |= bad
            number = digits_to_numbers(values, self.base, piece.digits)
            if position:
                number *= np.uint64(self.base ** (WIDTH * position))
            total += number
        if self.base == 10 and self.identifier:  # noqa: PLR2004
            doubt |= np.where(total > self.constants.largest_identifier, HIGH_BITS, np.uint64(0))
        if self.constants.identifier_bits:
            total |= np.uint64(self.constants.identifier_bits)
        return total

    def _long(self, text: Text, starts: Places, first8: Words, doubt: Words) -> Text:
        """Read more than eight data bytes."""
        eights = np.zeros((len(starts), LONGEST // WIDTH), np.uint64)
        eights[:, 0] = first8
        for number in range(1, -(-self.data.length // WIDTH)):
            left = min(WIDTH, self.data.length - WIDTH * number)
            count = np.full(len(starts), left, np.uint64)
            at = starts + self.data.run + number * WIDTH * self.data.pitch
            run = list(gather(text, at, WORDS_OF_EIGHT[self.data.pitch]))
            eights[:, number] = self.data.read(run, count, self.letter_step, doubt)
        return eights.view(np.uint8)


def packed(constants: Constants) -> int:
    """Pack what frames share into one number, a byte each: DLC, payload length, kind, form, direction, FD bits.

    The two bytes above take the number of the channel. :mod:`canlens.readers.assembly` unpacks it.
    """
    fd = constants.is_fd | constants.bit_rate_switch << 1 | constants.error_state_indicator << 2
    parts = (
        constants.dlc,
        constants.payload_length,
        int(constants.kind),
        int(constants.is_extended),
        int(constants.is_rx),
        fd,
    )
    return sum(part << 8 * at for at, part in enumerate(parts))
