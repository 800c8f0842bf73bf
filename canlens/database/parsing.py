"""cantools in, our nouns out. Nothing of cantools leaves this module but through its refusals."""

from __future__ import annotations

import logging
import math
import re
from collections import defaultdict
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from cantools.database import load_string
from cantools.database.can import Database as ParsedDatabase
from cantools.database.errors import UnsupportedDatabaseFormatError

from canlens.database.dbc.book import Book
from canlens.database.dbc.names import NO_MESSAGE, NO_NODE
from canlens.database.dbc.outline import FLAG_EXTENDED, MessageEntry, SignalEntry, outline
from canlens.database.nouns import FLOAT_LENGTHS, Database, DatabaseProblem, Message, SignalDefinition
from canlens.errors import DatabaseError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cantools.database.can import Message as ParsedMessage
    from cantools.database.can import Signal as ParsedSignal

    from canlens.database.dbc.outline import Pages
    from canlens.database.source import Text

MS_PER_S: Final = 1000
OVERWRITING: Final = "Overwriting message"
"""How cantools begins to say that two messages share a name or an identifier; merging says so with a line."""
LONGEST_QUOTE: Final = 60
"""Longest piece of a line that a sentence quotes [characters]."""
_SYNTAX = re.compile(r"[Ii]nvalid syntax at line (?P<line>\d+), column (?P<column>\d+)")
_XML = re.compile(r"(?P<reason>.+): line (?P<line>\d+), column \d+")


def parse(source: Text) -> Database:
    """Parse one database file.

    The parser has the file as it is. A DBC that it refuses is mended entry by entry and given once more.

    Raises
    ------
    DatabaseError
        Nothing of the file can be used.
    """
    problems: list[DatabaseProblem] = []
    entries = outline(source.text) if source.format == "dbc" else []
    refused: UnsupportedDatabaseFormatError | None = None
    parsed: ParsedDatabase | None = None
    if entries is not None:
        try:
            parsed = _ask(source, source.text, problems)
        except UnsupportedDatabaseFormatError as error:
            refused = error
        else:
            parsed = parsed if source.format != "dbc" or _agree(entries, parsed) else None
    if parsed is None and source.format == "dbc":
        book = Book(source.text, source.file)
        if not book.has_entries:
            raise _refusal(source, "not one entry such as BO_, SG_ or VAL_ stands in it")
        entries, problems = list(book.messages), book.problems
        try:
            parsed = _ask(source, book.text(), problems)
        except UnsupportedDatabaseFormatError as error:
            refused = refused or error
    if parsed is None or entries is None:
        raise _refusal(source, _reason(refused)) from refused
    waiting: defaultdict[int, list[MessageEntry]] = defaultdict(list)  # two messages may bear one number
    for entry in reversed(entries):
        waiting[entry.number].append(entry)
    messages: list[Message] = []
    for message in parsed.messages:
        same = waiting[message.frame_id | (FLAG_EXTENDED if message.is_extended_frame else 0)]
        entry = same.pop() if same else MessageEntry(-1, message.name, 0)
        messages.append(_message(message, entry, source.file, problems))
    nodes = tuple(node.name for node in parsed.nodes if node.name != NO_NODE)
    return Database(tuple(messages), nodes, tuple(problems), (source.file,))


def _agree(entries: Sequence[MessageEntry], parsed: ParsedDatabase) -> bool:
    """Tell whether the parser found every signal that the outline shows: what it cannot read it may pass over."""
    seen = [len(entry.signals) for entry in entries if entry.name != NO_MESSAGE]
    return seen == [len(message.signals) for message in parsed.messages]


class _Listener(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.heard: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what was said."""
        self.heard.append(record.getMessage())


@contextmanager
def _overheard() -> Iterator[list[str]]:
    """Collect what the parser says to the log meanwhile, instead of letting it out on standard error."""
    logger, listener = logging.getLogger("cantools"), _Listener()
    passed_on, logger.propagate = logger.propagate, False
    logger.addHandler(listener)
    try:
        yield listener.heard
    finally:
        logger.removeHandler(listener)
        logger.propagate = passed_on


def _ask(source: Text, text: str, problems: list[DatabaseProblem]) -> ParsedDatabase:
    """Return what cantools makes of a text; its remarks become problems."""
    with _overheard() as remarks:
        parsed = load_string(text, source.format, strict=False, sort_signals=None)
    if not isinstance(parsed, ParsedDatabase):  # only CDD files, which are never asked for, give another class
        raise TypeError(f"expected a CAN database, got {type(parsed).__name__}")
    problems += [
        DatabaseProblem(
            0,
            f"the parser remarks: {said}",
            "an entry that is understood without remarks",
            file=source.file,
            done="The rest of the file is used.",
        )
        for said in remarks
        if not said.startswith(OVERWRITING)
    ]
    return parsed


def _reason(refused: UnsupportedDatabaseFormatError | None) -> str:
    return str(refused and (refused.e_dbc or refused.e_kcd or refused.e_sym or refused.e_arxml))


def _refusal(source: Text, said: str) -> DatabaseError:
    """Turn a refusal of the parser into a sentence for the installer."""
    name = source.format.upper()
    if match := _SYNTAX.search(said):
        line, column = int(match["line"]), int(match["column"])
        lines = source.text.split("\n")
        found = lines[line - 1][column - 1 :].strip()[:LONGEST_QUOTE] if line <= len(lines) else ""
        quoted = f"found `{found}`" if found else "found the end of the line"
        sentence = f"expected an entry of the {name} format, {quoted}. Correct or remove this entry."
        return DatabaseError(source.file, sentence, line=line)
    if match := _XML.search(said):
        sentence = (
            f"expected well-formed XML of a {name} file, found trouble ({match['reason']})."
            " Save the file again from the program that made it."
        )
        return DatabaseError(source.file, sentence, line=int(match["line"]))
    sentence = (
        f"this is no {name} file that can be read ({said.rstrip('.')})."
        " Check that it is the right file, or save it again from the program that made it."
    )
    return DatabaseError(source.file, sentence)


def _message(message: ParsedMessage, entry: MessageEntry, file: str, problems: list[DatabaseProblem]) -> Message:
    if message.is_container:
        problems.append(
            DatabaseProblem(
                entry.line,
                f"message {message.name} is a container of other messages",
                "a message with signals of its own",
                file=file,
                done="The message is known, its content is not decoded.",
            )
        )
    signals = _signals(message, entry, file, problems)
    return Message(
        name=message.name,
        identifier=message.frame_id,
        is_extended=message.is_extended_frame,
        length=message.length if entry.has_length else max((each.needed_length for each in signals), default=0),
        senders=tuple(dict.fromkeys(name for name in message.senders if name != NO_NODE)),
        cycle_time_s=_cycle_time_s(message, entry, file, problems),
        signals=signals,
        is_fd=message.is_fd,
        line=entry.line,
    )


def _cycle_time_s(
    message: ParsedMessage, entry: MessageEntry, file: str, problems: list[DatabaseProblem]
) -> float | None:
    """Return the declared cycle time [s]; 0 ms means that none is declared."""
    written: object = message.cycle_time  # a number of ms; text where a file declares the attribute as text
    try:
        cycle_time_ms = float(str(written)) if written is not None else 0.0
    except ValueError:
        cycle_time_ms = -1.0
    if 0 <= cycle_time_ms < math.inf:
        return cycle_time_ms / MS_PER_S or None
    problems.append(
        DatabaseProblem(
            entry.line,
            f"cycle time {written} of message {message.name}",
            "a number of milliseconds",
            file=file,
            done="The message is taken as one without a cycle time.",
        )
    )
    return None


def _signals(
    message: ParsedMessage, entry: MessageEntry, file: str, problems: list[DatabaseProblem]
) -> tuple[SignalDefinition, ...]:
    agree = len(entry.signals) == len(message.signals)
    entries: Sequence[SignalEntry | None] = entry.signals if agree else [None] * len(message.signals)
    # A signal may bear a long name in an attribute; its multiplexer is still told by the short one.
    long_names = {one.name: signal.name for one, signal in zip(entries, message.signals, strict=True) if one}
    signals: dict[str, SignalDefinition] = {}
    for signal, one in zip(message.signals, entries, strict=True):
        line = one.line if one else entry.line
        unused = _unused(message, signal, is_second=signal.name in signals)
        if unused:
            problems.append(DatabaseProblem(line, *unused[:2], file=file, done=unused[2], message=message.name))
            continue
        multiplexer = signal.multiplexer_signal
        if one and one.mark.startswith("m") and multiplexer is None:
            problems.append(_without_multiplexer(message, signal, one, file))
        signals[signal.name] = _signal(
            signal,
            multiplexer=long_names.get(multiplexer, multiplexer) if multiplexer else None,
            wide=entry.wide_pages.get(one.name, ()) if one else (),
            line=line,
        )
    return tuple(signals.values())


def _unused(message: ParsedMessage, signal: ParsedSignal, *, is_second: bool) -> tuple[str, str, str] | None:
    """Return why a signal is not used, as found, expected and done; None if it is."""
    if is_second:
        found = f"a second signal {signal.name} in message {message.name}"
        return found, "every signal of a message under a name of its own", "Only the first one is decoded."
    conversion = signal.conversion
    if not (math.isfinite(conversion.scale) and math.isfinite(conversion.offset)):
        found = f"signal {signal.name} of message {message.name} with factor {conversion.scale}"
        found += f" and offset {conversion.offset}"
        return found, "numbers that a computer can hold", "The entry is not used; the rest of the file is."
    return None


def _without_multiplexer(
    message: ParsedMessage, signal: ParsedSignal, entry: SignalEntry, file: str
) -> DatabaseProblem:
    switches = [one.name for one in message.signals if one.is_multiplexer and one is not signal]
    if switches:
        expected = f"an SG_MUL_VAL_ entry that says which of {', '.join(switches)} selects it"
    else:
        expected = "a signal marked M in the same message, which selects it"
    return DatabaseProblem(
        entry.line,
        f"signal {signal.name} of message {message.name}, marked {entry.mark}",
        expected,
        file=file,
        done="The signal is decoded in every frame of the message.",
    )


def _signal(signal: ParsedSignal, *, multiplexer: str | None, wide: Pages, line: int) -> SignalDefinition:
    conversion = signal.conversion
    scale, offset = _number(conversion.scale), _number(conversion.offset)
    if not conversion.is_float and float(scale).is_integer() and float(offset).is_integer():
        scale, offset = int(scale), int(offset)
    return SignalDefinition(
        name=signal.name,
        start_bit=signal.start,
        length=signal.length,
        byte_order="motorola" if signal.byte_order == "big_endian" else "intel",
        is_signed=signal.is_signed,
        is_float=conversion.is_float and signal.length in FLOAT_LENGTHS,
        scale=scale,
        offset=offset,
        minimum=signal.minimum,
        maximum=signal.maximum,
        unit=signal.unit or "",
        table={int(raw): str(text) for raw, text in (conversion.choices or {}).items()},
        multiplexer=multiplexer,
        pages=_pages(signal.multiplexer_ids or [], wide) if multiplexer else (),
        is_multiplexer=signal.is_multiplexer,
        line=line,
    )


def _number(value: float) -> float | int:
    """Keep whole numbers whole; those beyond any use become the nearest float."""
    return value if abs(value) < 10**100 else float(str(value))


def _pages(values: Sequence[int], wide: Pages) -> Pages:
    """Join single values and ranges to closed ranges that neither touch nor overlap."""
    pages: list[tuple[int, int]] = []
    for low, high in sorted([*((value, value) for value in values), *wide]):
        if pages and low <= pages[-1][1] + 1:
            pages[-1] = pages[-1][0], max(high, pages[-1][1])
        else:
            pages.append((low, high))
    return tuple(pages)
