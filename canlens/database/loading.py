"""One file or several → one Database."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.database import cache
from canlens.database.nouns import Database, DatabaseProblem, Message
from canlens.database.odd_signals import layout_problems
from canlens.database.source import Readable, Text, read_text

if TYPE_CHECKING:
    from canlens.database.source import Source, Sources


def read_database(source: Sources | Mapping[str, Sources]) -> Database:
    """Read one file or several; see :func:`canlens.database.read_database`."""
    if isinstance(source, Mapping):
        return _merge([_tied(_load(read_text(one)), channel) for channel in source for one in _each(source[channel])])
    return _merge([_load(read_text(one)) for one in _each(source)])


def _tied(database: Database, channel: str) -> Database:
    """Return a database whose messages hold on one channel only."""
    return replace(database, messages=tuple(replace(message, channel=channel) for message in database.messages))


def _each(source: Sources) -> list[Source]:
    """Return the sources one by one; a path or a file object is one."""
    return [source] if isinstance(source, str | os.PathLike | Readable) else list(source)


def _load(text: Text) -> Database:
    """Return what was kept of a file, or read it and keep it for the next time."""
    kept = cache.find(text)
    if kept is not None:
        return kept
    database = _read(text)
    cache.keep(text, database)
    return database


def _read(text: Text) -> Database:
    from canlens.database.parsing import parse  # noqa: PLC0415 – cantools takes 0.1 s that a kept database spares

    database = parse(text)
    problems = list(database.problems)
    if text.odd_line:
        problems.append(
            DatabaseProblem(
                text.odd_line,
                "a byte that is no character in UTF-8 or in the Windows code page 1252",
                "text in one of these encodings",
                file=text.file,
                done="A sign that stands for an unknown character took its place.",
            )
        )
    for message in database.messages:
        problems += layout_problems(message, file=text.file)
    problems.sort(key=lambda problem: problem.line)
    return replace(database, problems=tuple(problems))


def _merge(databases: list[Database]) -> Database:
    """Join databases; the first definition of an identifier on a channel counts."""
    kept: dict[tuple[str | None, int, bool], tuple[Message, str]] = {}
    names: dict[str, tuple[Message, str]] = {}
    problems: list[DatabaseProblem] = []
    set_aside: list[Message] = []
    for database in databases:
        file = database.files[0]
        problems += database.problems
        for message in database.messages:
            key = message.channel, message.identifier, message.is_extended
            first, place = kept.get(key, (None, ""))
            if first is not None:
                if first != message:
                    problems.append(_second_definition(message, first, file=file, place=place))
                    set_aside.append(message)
                continue
            here = f"{file}, line {message.line}" if message.line else file
            kept[key] = message, here
            namesake, place = names.setdefault(message.name, (message, here))
            if namesake is not message and replace(message, channel=namesake.channel) != namesake:
                problems.append(_second_name(message, file=file, place=place))
    return Database(
        tuple(message for message, _ in kept.values()),
        tuple(dict.fromkeys(node for database in databases for node in database.nodes)),
        tuple(problems),
        tuple(file for database in databases for file in database.files),
        tuple(set_aside),
    )


def _second_definition(message: Message, first: Message, *, file: str, place: str) -> DatabaseProblem:
    return DatabaseProblem(
        message.line,
        f"message {message.name} with identifier 0x{message.identifier:x}",
        f"an identifier of its own; {first.name} ({place}) has the same",
        file=file,
        done=f"{first.name} is used, {message.name} is not.",
    )


def _second_name(message: Message, *, file: str, place: str) -> DatabaseProblem:
    return DatabaseProblem(
        message.line,
        f"message {message.name} with identifier 0x{message.identifier:x}",
        f"a name of its own; another message of that name stands in {place}",
        file=file,
        done="Both are decoded; a path MESSAGE.SIGNAL means the first one.",
    )
