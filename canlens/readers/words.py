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

LITTLE_ENDIAN: Final = sys.byteorder == "little"

_LOW_BITS: Final = np.uint64(0x0101010101010101)
_OVER_9: Final = np.uint64(0x7676767676767676)
_OVER_15: Final = np.uint64(0x7070707070707070)
_BYTES: Final = np.uint64(0x00FF00FF00FF00FF)
_PAIRS: Final = np.uint64(0x0000FFFF0000FFFF)
_LOWEST_BYTES: Final = (np.uint64(0xFF), np.uint64(0xFF00), np.uint64(0xFF0000))
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


def hex_values(characters: Words, letter_step: int) -> tuple[Words, Words]:
    """Turn hexadecimal characters into the values 0 to 15, byte by byte.

    Parameters
    ----------
    characters
        uint64 (n,): characters exclusive-or ``0x30``; bytes that are no hexadecimal column are 0.
    letter_step
        What lies between a letter so treated and its value: 0x67 for upper case, 0x47 for lower case.

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
    bad = values + _OVER_9
    bad ^= characters << np.uint64(1)
    bad |= values + _OVER_15
    bad |= values
    return values, bad


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


def pairs_to_bytes(values: Words, pitch: int) -> Words:
    """Join the two hexadecimal digits of each data byte and move the bytes to the low end.

    Parameters
    ----------
    values
        uint64 (n,): digits as of :func:`hex_values`.
    pitch
        Characters from one data byte to the next: 2 gives four bytes a word, 3 (a blank between) three.
    """
    joined = values * _STEPS[16][0]
    joined >>= np.uint64(8)
    if pitch == 2:  # noqa: PLR2004 – as described
        joined &= _BYTES
        joined |= joined >> np.uint64(8)
        joined &= _PAIRS
        joined |= joined >> np.uint64(16)
        joined &= np.uint64(0xFFFFFFFF)
        return joined
    low, middle, high = _LOWEST_BYTES
    out = joined & low
    out |= (joined >> np.uint64(16)) & middle
    out |= (joined >> np.uint64(32)) & high
    return out


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
