"""Views: the binary and the byte-swapped view of the screen form become the plain one before the lines are read.

::

    can0  123   [2]  00010001 00100010      (candump -i)
    can0  123   [2]  22`11   `".`           (candump -S: the last byte first)

Both say every byte exactly: the swapped view is marked by its sign between the bytes, and a group of eight digits 0
and 1 is no hexadecimal byte.

References
----------
can-utils ``lib.c``, ``snprintf_long_canframe``: CANLIB_VIEW_BINARY, CANLIB_VIEW_SWAP, SWAP_DELIMITER.
"""

from __future__ import annotations

import io
import re
from typing import Final

from canlens.readers.grammar import LONGEST_LINE
from canlens.readers.remaking import STEP, Remade

FRAME: Final = (
    rb"^(?P<start>[^\n]*?[^\S\n](?:\[[0-9]{1,2}\]|\{[0-9A-Fa-f]\}))"
    rb"(?P<bytes>[^\S\n]+(?:%b))(?P<end>[^\S\n]+(?:`[^\n]*`|'[^\n]*'|ERRORFRAME))?(?P<rest>[^\S\n]*)$"
)
BINARY: Final = rb"[01]{8}(?:[^\S\n][01]{8})*"
SWAPPED: Final = rb"[0-9A-Fa-f]{2}(?:`[0-9A-Fa-f]{2})*"
SWAPPED_BINARY: Final = rb"[01]{8}(?:`[01]{8})*"
VIEWED: Final = re.compile(FRAME % b"|".join((BINARY, SWAPPED_BINARY, SWAPPED)), re.MULTILINE)
MARKED: Final = re.compile(rb"(?:\]|\})[^\S\n]+(?:[01]{8}(?![0-9A-Fa-f])|[0-9A-Fa-f]{2}`)")


def is_viewed(head: bytes) -> bool:
    """Tell whether the head of a file shows bytes in another view than the plain one."""
    return MARKED.search(head) is not None


def plain_view(stream: io.BufferedIOBase) -> io.BufferedIOBase:
    """Return the stream with each byte in two hexadecimal digits, the first one first; other lines stay."""
    return io.BufferedReader(_Plain(stream), STEP)


class _Plain(Remade):
    """Lines in the plain view."""

    def __init__(self, viewed: io.BufferedIOBase) -> None:
        super().__init__()
        self._viewed = viewed

    def _more(self) -> None:
        text = self._viewed.read(STEP)
        self._ended = not text
        self._ready = VIEWED.sub(_in_plain, text + self._viewed.readline(LONGEST_LINE))


def _in_plain(match: re.Match[bytes]) -> bytes:
    """Write one line in the plain view; a tail of characters, which the bytes repeat, is left out."""
    groups = match["bytes"].replace(b"`", b" ").split()
    if b"`" in match["bytes"]:
        groups.reverse()
    if len(groups[0]) > 2:  # noqa: PLR2004 – eight digits, not two
        groups = [b"%02X" % int(group, 2) for group in groups]
    end = match["end"] or b""
    return match["start"] + b"  " + b" ".join(groups) + (end if end.endswith(b"ERRORFRAME") else b"") + match["rest"]
