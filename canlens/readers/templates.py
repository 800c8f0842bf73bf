"""Templates: what fixed columns must hold, and the run of data bytes between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.readers.words import HIGH_BITS, WIDTH, Words, bytes_of_pairs, bytes_of_triplets, gather, hex_values

if TYPE_CHECKING:
    from collections.abc import Sequence

Text = npt.NDArray[np.uint8]
Places = npt.NDArray[np.int64]

FULL: Final = 2**64 - 1
PAIRS: Final = 2
WORDS_OF_EIGHT: Final = {2: 2, 3: 3}
"""Words that hold eight data bytes, by pitch."""


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
        As in :class:`canlens.readers.grammar.FrameLine`.
    length
        Bytes in each line; -1: it differs, zero to eight.
    lead
        What the character before the first data byte has, exclusive-or, in place of the one between the others.
    counted
        Column of the digit that tells the length; -1: the end of the line does.
    expected, over_9, over_15
        Words for the characters of eight data bytes, see :func:`canlens.readers.words.hex_values`.
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


def cut(words: Words, piece: Piece) -> Words:
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
