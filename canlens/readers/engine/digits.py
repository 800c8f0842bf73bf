"""Eight characters at a time: digits of many lines turned into numbers inside 64-bit words.

A word holds eight characters of one line, the first of them in its lowest byte. All functions work on
columns of such words, one a line, and touch every line at once. The method is known as *SIMD within a
register*; the steps of :func:`digits_to_numbers` are those of Lemire, "Quickly parsing eight digits" (2018).
"""

from __future__ import annotations

import sys
from typing import Final

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]

WIDTH: Final = 8
"""Characters in a word."""

HIGH_BITS: Final = np.uint64(0x8080808080808080)
"""The bit of each byte in which the checks below leave their verdict."""

STRIDE: Final = 1024
"""Lines that are turned from rows into columns at once, within the nearest cache."""

LITTLE_ENDIAN: Final = sys.byteorder == "little"

_LOW_BITS: Final = np.uint64(0x0101010101010101)
_BYTES: Final = np.uint64(0x00FF00FF00FF00FF)
_PAIRS: Final = np.uint64(0x0000FFFF0000FFFF)
_STEPS: Final = {
    10: (np.uint64(2561), np.uint64(6553601), np.uint64(42949672960001)),
    16: (np.uint64(4097), np.uint64(16777217), np.uint64(281474976710657)),
}


def repeated(byte: int) -> int:
    """Return the word in which each byte is ``byte``."""
    return byte * 0x0101010101010101


def byte_mask(first: int, last: int) -> int:
    """Return the word whose bytes ``first`` up to, not including, ``last`` are 0xFF, all others 0."""
    return ((1 << 8 * last) - 1) & ~((1 << 8 * first) - 1)


def gather(buffer: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], count: int) -> Words:
    """Gather ``count`` words from each start, as uint64 (count, lines)."""
    return np.ascontiguousarray(_rows_of(buffer, starts, count).T)


class Bench:
    """Memory for the words of one block, used again for the next: fresh memory costs more than the work on it."""

    def __init__(self) -> None:
        self._cells = np.zeros(0, np.uint64)

    def gather(self, buffer: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], count: int) -> Words:
        """Do as :func:`gather`; the result lasts until the next call."""
        cells = count * len(starts)
        if len(self._cells) < cells:
            self._cells = np.zeros(cells + cells // 8, np.uint64)
        columns = self._cells[:cells].reshape(count, len(starts))
        for first in range(0, len(starts), STRIDE):
            some = slice(first, first + STRIDE)
            columns[:, some] = _rows_of(buffer, starts[some], count).T
        return columns


def _rows_of(buffer: npt.NDArray[np.uint8], starts: npt.NDArray[np.int64], count: int) -> Words:
    """Gather the words of each line beside each other, as uint64 (lines, count)."""
    size = WIDTH * count
    windows: npt.NDArray[np.void] = np.ndarray((len(buffer) - size + 1,), f"V{size}", buffer, strides=(1,))
    return windows[starts].view(np.uint64).reshape(len(starts), count)


def hex_values(characters: Words, letter_step: int, over_9: int, over_15: int) -> tuple[Words, Words]:
    """Turn hexadecimal characters into the values 0 to 15, byte by byte.

    Parameters
    ----------
    characters
        uint64 (n,): characters exclusive-or the template (``0x30`` where a digit is due); bytes that do not
        matter are 0.
    letter_step
        What lies between a letter so treated and its value: 0x67 for upper case, 0x47 for lower case.
    over_9, over_15
        Words of :func:`limits`.

    Returns
    -------
    values, bad
        uint64 (n,) each. A high bit of ``bad`` is set where a line holds something else than digits and letters
        of that case; its values then mean nothing.
    """
    values = characters >> np.uint64(6)
    values &= _LOW_BITS
    values *= np.uint64(letter_step)
    np.subtract(characters, values, out=values)
    bad = values + np.uint64(over_9)
    bad ^= characters << np.uint64(1)
    over = values + np.uint64(over_15)
    over |= values
    bad |= over
    return values, bad


def limits(digits: int) -> tuple[int, int]:
    """Return the two words of :func:`hex_values`.

    ``digits`` has 0xFF where a byte may be a hexadecimal digit; all others must equal the template.
    """
    other = repeated(0x7F) & ~digits
    return repeated(0x76) & digits | other, repeated(0x70) & digits | other


def digits_to_numbers(values: Words, base: int, digits: int = WIDTH) -> Words:
    """Read the values of up to eight digits as one number.

    Parameters
    ----------
    values
        uint64 (n,): a digit in each byte, the most significant in the lowest; unused *leading* bytes are 0.
    base
        10 or 16.
    digits
        How many trailing digits may differ from 0; fewer make less work.
    """
    first, second, third = _STEPS[base]
    if digits <= 2:  # noqa: PLR2004 – one step joins two digits
        return ((values >> np.uint64(48)) * first >> np.uint64(8)) & np.uint64(0xFF)
    numbers = values * first
    numbers >>= np.uint64(8)
    numbers &= _BYTES
    numbers *= second
    numbers >>= np.uint64(16)
    if digits <= 4:  # noqa: PLR2004 – two steps join four
        return numbers >> np.uint64(32)
    numbers &= _PAIRS
    numbers *= third
    numbers >>= np.uint64(32)
    return numbers


def bytes_of_pairs(values: list[Words]) -> Words:
    """Join sixteen hexadecimal digits, two words a line, to eight data bytes in file order."""
    low, high = (_four_bytes(word) for word in values)
    high <<= np.uint64(32)
    low &= np.uint64(0xFFFFFFFF)
    low |= high
    return low


def _four_bytes(values: Words) -> Words:
    joined = values * _STEPS[16][0]
    joined >>= np.uint64(8)
    joined &= _BYTES
    joined |= joined >> np.uint64(8)
    joined &= _PAIRS
    joined |= joined >> np.uint64(16)
    return joined


def bytes_of_triplets(values: list[Words]) -> Words:
    """Join the digits of eight data bytes with a blank before each, three words a line, to bytes in file order.

    The words read `` AA BB C``, ``C DD EE `` and ``FF GG HH``.
    """
    first, second, third = values
    split = first >> np.uint64(52)
    split &= np.uint64(0xF0)
    split |= second & np.uint64(0x0F)
    out = split
    out <<= np.uint64(16)
    for word, places in ((first, ((2, 0), (5, 1))), (second, ((3, 3), (6, 4))), (third, ((1, 5), (4, 6), (7, 7)))):
        joined = word * _STEPS[16][0]
        for place, byte in places:
            moved = _moved(joined, 8 * (byte - place))
            moved &= np.uint64(0xFF << 8 * byte)
            out |= moved
    return out


def _moved(words: Words, bits: int) -> Words:
    if bits == 0:
        return words.copy()
    return words << np.uint64(bits) if bits > 0 else words >> np.uint64(-bits)


def positions(text: npt.NDArray[np.uint8], byte: int) -> npt.NDArray[np.intp]:
    """Find every place of one byte.

    Parameters
    ----------
    text
        uint8 (n,), n a multiple of eight.

    Returns
    -------
    intp (m,)
        Ascending indices.
    """
    found = text == byte
    eights = found.view(np.uint64)
    at = np.flatnonzero(eights != 0)
    marks = eights[at]
    if not LITTLE_ENDIAN or np.any(marks & (marks - np.uint64(1))):
        return np.flatnonzero(found)  # two in one word: look at every byte
    marks *= np.uint64(0x0001020304050607)
    marks >>= np.uint64(56)
    at *= WIDTH
    at += marks.view(np.int64)
    return at
