"""Colours: a report on a screen is easier to find one's way in; nothing in it is told by colour alone."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from collections.abc import Sequence

# Select Graphic Rendition, ECMA-48 (1991) 8.3.117: 0 as at first, 1 bold, 31 red, 32 green, 33 yellow
RESET, BOLD, RED, GREEN, YELLOW = (f"\x1b[{code}m" for code in ("0", "1", "1;31", "1;32", "33"))

_GOOD = "PROVEN|WELL|NO CHANGE SEEN|BETTER"
_BAD = "FAILED|NOT WELL|WORSE"
_OPEN = "NOT PROVEN|CANNOT TELL|NO FAILURE FOUND|CHANGED|NOT COMPARABLE"
_SIGNS = re.compile(
    rf"(?<!\S)(?:(?P<open>{_OPEN})|(?P<bad>{_BAD}|FAILURE)|(?P<good>{_GOOD})|(?P<warning>WARNING))(?![^\s,])"
    r"|(?P<sign>✗)"
    r"|^(?P<lead>Most likely:|Do next:)"
    r"|^(?P<caution>Caution:)"
)
_STYLES = {"open": YELLOW, "bad": RED, "good": GREEN, "warning": YELLOW, "sign": RED, "lead": BOLD, "caution": YELLOW}


def wants_colour(stream: TextIO) -> bool:
    """Return whether a stream is a screen that shows colours, and nobody asked for none.

    ``NO_COLOR`` with any text in it means none (no-color.org), and so does a terminal of the type ``dumb``, or of none.
    """
    is_screen = stream.isatty() and os.environ.get("TERM", "dumb") != "dumb"
    return is_screen and not os.environ.get("NO_COLOR")


def coloured(lines: Sequence[str]) -> list[str]:
    r"""Return lines with verdicts, headings and what to do next marked by colour or weight.

    Parameters
    ----------
    lines
        As they stand on the page, control characters made visible.

    Examples
    --------
    >>> coloured(["FAILED – 1 of 2 outputs.", "", "BUS", "---"])
    ['\x1b[1;31mFAILED\x1b[0m – 1 of 2 outputs.', '', '\x1b[1mBUS\x1b[0m', '---']
    """
    underlined = [bool(below) and set(below) == {"-"} for below in (*lines[1:], "")]
    return [
        f"{BOLD}{line}{RESET}" if heads and line.strip("- ") else _SIGNS.sub(_styled, line)
        for line, heads in zip(lines, underlined, strict=True)
    ]


def _styled(match: re.Match[str]) -> str:
    return f"{_STYLES[match.lastgroup or 'lead']}{match[0]}{RESET}"
