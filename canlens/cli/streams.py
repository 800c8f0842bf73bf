"""Where results go: text for a console with its colours, whole files, and one sentence when the work stops."""

from __future__ import annotations

import functools
import os
import re
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ParamSpec, TextIO

import typer

from canlens.cli.inputs import STANDARD_STREAM, require_place
from canlens.errors import CanlensError, UsageError
from canlens.reports.layout import fitted
from canlens.whole_files import replace_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canlens.results.form import Json


# Colours: a report on a screen is easier to find one's way in; nothing in it is told by colour alone.


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


# What goes out: text for a console, whole files, and one sentence when the work stops.


__all__ = ["STOPPED", "WRONG_USAGE", "encoding_of", "guarded", "replace_file", "say", "say_bytes", "tell"]

WRONG_USAGE = 2
"""Exit code of a call that is wrong, or of an input that cannot be read at all."""
STOPPED = 130
"""Exit code after Ctrl-C: 128 + 2, the number of the interrupt (POSIX shells)."""

MISTAKES_SHOWN = 20
"""Mistakes of one file that are printed."""

_Arguments = ParamSpec("_Arguments")


def say(text: str) -> None:
    """Write lines to standard output as far as its encoding can show them."""
    _write(sys.stdout, text)


def tell(text: str) -> None:
    """Write lines to standard error as far as its encoding can show them."""
    _write(sys.stderr, text)


def encoding_of(stream: TextIO | None) -> str:
    """Return what a stream can show; UTF-8 where it does not say."""
    return (stream.encoding if stream else None) or "utf-8"


def _write(stream: TextIO | None, text: str) -> None:
    """Write text line by line, control characters made visible, coloured on a screen; a closed stream takes nothing."""
    if stream is None:
        return
    lines = [fitted(line, encoding_of(stream)) for line in text.split("\n")]
    if wants_colour(stream):
        lines = coloured(lines)
    with _leaving_quietly(stream):
        stream.write("\n".join(lines))
        stream.flush()


def say_bytes(content: bytes) -> None:
    """Write bytes to standard output as they are."""
    if sys.stdout is None:
        return
    with _leaving_quietly(sys.stdout):
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()


@contextmanager
def _leaving_quietly(stream: TextIO) -> Iterator[None]:
    """Take it as a wish if the reader of a pipe has left; say so if standard output cannot be written."""
    try:
        yield
    except BrokenPipeError:
        _silence(stream)
    except OSError as error:
        _silence(stream)
        if stream is sys.stdout:
            raise UsageError(f"standard output: cannot be written: {error.strerror or error}.") from error


def _silence(stream: TextIO) -> None:
    """Send what is still to come nowhere: else the end of the program would meet the same trouble again."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


def _shortened(message: str) -> str:
    """Return the lines of a message, the first ones only if a wrong file has a mistake in every line."""
    lines = message.split("\n")
    if len(lines) > MISTAKES_SHOWN:
        lines[MISTAKES_SHOWN:] = [f"and {len(lines) - MISTAKES_SHOWN} more mistakes of this file."]
    return "\n".join(lines) + "\n"


def guarded(command: Callable[_Arguments, int]) -> Callable[_Arguments, None]:
    """Turn the errors of a command into a sentence and its answer into the exit code.

    Parameters
    ----------
    command
        Returns the exit code.
    """

    @functools.wraps(command)
    def run(*arguments: _Arguments.args, **options: _Arguments.kwargs) -> None:
        try:
            code = command(*arguments, **options)
        except CanlensError as error:
            tell(_shortened(str(error)))
            code = WRONG_USAGE
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            tell(f"{where}{error.strerror or error}.\n")
            code = WRONG_USAGE
        except KeyboardInterrupt:
            tell("\nStopped.\n")
            code = STOPPED
        raise typer.Exit(code)

    return run


# Where the result of a command goes: a page, JSON, text on standard output.


JsonOption = Annotated[
    str | None, typer.Option("--json", metavar="FILE", help="Write the result as JSON (- prints it).")
]
ChannelOption = Annotated[str | None, typer.Option(metavar="NAME", help="The channel to look at; without it, all.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Write over files that are there already.")]
HtmlOption = Annotated[
    str | None, typer.Option("--html", metavar="FILE", help="Write the result as one page for a browser (- prints it).")
]


def look_at_targets(*, json: str | None, html: str | None, sources: Sequence[str | None]) -> None:
    """Raise a sentence for results that may not be written as asked, before any work is done.

    Parameters
    ----------
    json, html
        What ``--json`` and ``--html`` name.
    sources
        Files that are read; None for those that were not given.

    Raises
    ------
    UsageError
        Both name the same place, or one names a file that is read, or that cannot be written.
    """
    if json is not None and json == html:
        raise UsageError(f"{json}: --json and --html need a file each.")
    for target in (json, html):
        if target is not None and target != STANDARD_STREAM:
            require_place(target, sources)


def give_out(
    *,
    json: str | None,
    html: str | None,
    as_json: Callable[[], dict[str, Json]],
    as_page: Callable[[], str],
    as_text: Callable[[str], str],
) -> None:
    """Write a result where it was asked for, and as text to standard output unless it goes there in another form.

    Files are named after the text, so that the answer is the first thing on the screen and they are the last.

    Parameters
    ----------
    json, html
        What ``--json`` and ``--html`` name; None for a form that was not asked for, which is then not made.
    as_json, as_page
        Make the result's forms.
    as_text
        Makes its text for what an encoding can show.

    Raises
    ------
    UsageError
        If something cannot be written.
    """
    if html is not None:
        _write_target(html, as_page().encode("utf-8", "backslashreplace"))
    if json is not None:
        from canlens.reports.data_files import json_bytes

        _write_target(json, json_bytes(as_json()))
    if STANDARD_STREAM not in (json, html):
        say(as_text(encoding_of(sys.stdout)))
    for name in (html, json):
        if name not in (None, STANDARD_STREAM):
            tell(f"Wrote {name}.\n")


def _write_target(target: str, content: bytes) -> None:
    if target == STANDARD_STREAM:
        say_bytes(content)
    else:
        replace_file(Path(target), content)
