"""Every exception that canlens raises on purpose.

::

    CanlensError                 a sentence: where, what was expected and found, what to do
    ├── UsageError               the call itself is wrong: an option, an argument, a file in the way
    ├── LogError                 a recording that cannot be read at all
    │   └── UnknownFormatError   no reader, or more than one, knows this file
    ├── DatabaseError            a DBC (or KCD, SYM, ARXML) of which nothing can be used
    ├── PlanError                a plan with mistakes; all of them are listed
    ├── RuleError                a text that is no rule over the controls
    └── TableError               marks, readings, observations or job details with mistakes; all of them are listed

Trouble inside the data (a bad line, a bad entry) is no exception: it is collected as a
:class:`canlens.trace.Problem` and the rest is used.
"""

from __future__ import annotations

from dataclasses import dataclass


class CanlensError(Exception):
    """Anything that stops the work; ``str()`` is a sentence for the installer."""


class UsageError(CanlensError):
    """The call itself is wrong; nothing was read or written."""


class LogError(CanlensError):
    """A recording cannot be read at all.

    Attributes
    ----------
    file
        The file as the user named it.
    reason
        What is wrong and what to do.
    """

    def __init__(self, file: str, reason: str) -> None:
        self.file = file
        self.reason = reason
        super().__init__(f"{file}: {reason}")


class UnknownFormatError(LogError):
    """No reader knows the file, or more than one claims it.

    Attributes
    ----------
    tried
        Names of the formats that were tried.
    claimed
        Names of the formats that said yes; empty or at least two.
    """

    def __init__(self, file: str, reason: str, *, tried: tuple[str, ...], claimed: tuple[str, ...] = ()) -> None:
        self.tried = tried
        self.claimed = claimed
        super().__init__(file, reason)


class DatabaseError(CanlensError):
    """Nothing of a database can be used.

    Attributes
    ----------
    file
        The file as the user named it.
    line
        Line of the first mistake, 1-based; 0 where none can be told.
    reason
        What is wrong and what to do.
    """

    def __init__(self, file: str, reason: str, *, line: int = 0) -> None:
        self.file = file
        self.line = line
        self.reason = reason
        place = f"{file}, line {line}" if line else file
        super().__init__(f"{place}: {reason}")


@dataclass(frozen=True)
class Mistake:
    """One mistake in a file that a person wrote.

    Attributes
    ----------
    key
        Where: a dotted key of a TOML file (``outputs.siren.when``) or ``line 7``.
    expected, found
        What should stand there, and what does.
    close
        Names that look like the one found, best first.
    """

    key: str
    expected: str
    found: str
    close: tuple[str, ...] = ()

    def __str__(self) -> str:
        names = f" Close names: {', '.join(self.close)}." if self.close else ""
        return f"{self.key}: expected {self.expected}, found {self.found}.{names}"


class _ListedMistakesError(CanlensError):
    """Shared shape of the errors that list every mistake of one file."""

    def __init__(self, file: str, mistakes: tuple[Mistake, ...]) -> None:
        self.file = file
        self.mistakes = mistakes
        super().__init__("\n".join(f"{file}: {mistake}" for mistake in mistakes))


class RuleError(CanlensError):
    """A text that is no rule over the controls.

    Attributes
    ----------
    position
        Where in the text: number of the character, 1-based.
    expected, found
        What should stand there, and what does.
    close
        Names that look like the one found, best first.
    """

    def __init__(self, position: int, expected: str, found: str, *, close: tuple[str, ...] = ()) -> None:
        self.position = position
        self.expected = expected
        self.found = found
        self.close = close
        super().__init__(str(Mistake(f"character {position}", expected, found, close)))


class PlanError(_ListedMistakesError):
    """A plan with mistakes.

    Attributes
    ----------
    file
        The plan as the user named it.
    mistakes
        All of them, in file order as far as it can be told.
    """


class TableError(_ListedMistakesError):
    """Marks, readings, observations or job details with mistakes; attributes as :class:`PlanError`."""
