"""What goes out: text for a console, whole files, and one sentence when the work stops."""

from __future__ import annotations

import functools
import os
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, ParamSpec, TextIO

import typer

from canlens.cli.colours import coloured, wants_colour
from canlens.errors import CanlensError, UsageError
from canlens.reports.characters import fitted
from canlens.whole_files import replace_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

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
