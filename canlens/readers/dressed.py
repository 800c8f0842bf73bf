"""Dressed logs: what terminals, journals, mail programs and copying put around the lines of a log is taken off."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canlens.readers.grammar import LONGEST_LINE
from canlens.readers.remaking import STEP, Remade

if TYPE_CHECKING:
    from canlens.readers.opening import Opened

COLOURS: Final = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")
"""ECMA-48 control sequences."""
BLANKS: Final = re.compile(rb"\xc2\xa0|\xe2\x80\xaf|\xa0")
NOTHING: Final = re.compile(rb"\xe2\x80\x8b|\xef\xbb\xbf")
QUOTED: Final = re.compile(rb'^[^\S\n]*"([^"\n]*)"[^\S\n]*$', re.MULTILINE)
CITED: Final = re.compile(rb"^[^\S\n]*(?:>[^\S\n]?)+", re.MULTILINE)
BEFORE_STAMP: Final = re.compile(
    rb"^[^\n(]{1,200}?(?=\([0-9]+[.,][0-9]+\)[^\S\n]+\S+[^\S\n]+[0-9A-Fa-f]{3,8}[#\s])", re.MULTILINE
)
SAID: Final = "// colours, quotation marks or words around the lines were left out"


def undressed(opened: Opened) -> Opened:
    """Return a log without what stands around its lines; the numbers of the lines stay."""
    stream = io.BufferedReader(_Bare(opened.stream), STEP)
    return replace(opened, stream=stream, head=_bare(opened.head), path=None)


class _Bare(Remade):
    """Lines without what stands around them."""

    def __init__(self, dressed: io.BufferedIOBase) -> None:
        super().__init__()
        self._dressed = dressed

    def _more(self) -> None:
        text = self._dressed.read(STEP)
        self._ended = not text
        self._ready = _bare(text + self._dressed.readline(LONGEST_LINE))


def _bare(text: bytes) -> bytes:
    text = NOTHING.sub(b"", BLANKS.sub(b" ", COLOURS.sub(b"", text)))
    return BEFORE_STAMP.sub(b"", QUOTED.sub(rb"\1", CITED.sub(b"", text)))
