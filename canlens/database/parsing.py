"""cantools in, our nouns out. Nothing of cantools leaves this module but through its refusals."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cantools.database import load_string
from cantools.database.can import Database as ParsedDatabase
from cantools.database.can import Message as ParsedMessage
from cantools.database.can import Signal as ParsedSignal
from cantools.database.errors import UnsupportedDatabaseFormatError

from canlens.database.dbc.text import DbcText, Pages, prepare
from canlens.database.nouns import Database, DatabaseProblem, Message, SignalDefinition
from canlens.database.refusal import overheard, refusal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database.dbc.messages import MessageEntry, SignalEntry
    from canlens.database.source import Text

NO_SENDER = "Vector__XXX"
"""What a DBC writes in the place of a node where there is none (open description of the format)."""
FLAG_EXTENDED = 0x8000_0000
"""Bit 31 of a DBC message number marks a 29-bit identifier."""
MS_PER_S = 1000
OVERWRITING = "Overwriting message"
"""How cantools begins to say that two messages share a name or an identifier; merging says so with a line."""
MOST_TRIES = 100
"""How often the parser is asked again, with fewer messages, after it refused a file (our choice)."""
FLOAT_LENGTHS = frozenset({16, 32, 64})
"""Lengths of floats [bits] (IEEE 754 binary16, 32, 64)."""


@dataclass(frozen=True)
class _Place:
    """What the text tells about one message beside the parser's view of it."""

    file: str
    entry: MessageEntry | None
    wide_pages: dict[tuple[int, str], Pages]

    @property
    def line(self) -> int:
        return self.entry.line if self.entry else 0

    def signals(self, count: int) -> Sequence[SignalEntry | None]:
        """Return one entry for each of ``count`` signals, or None for each where they do not agree."""
        entries = self.entry.signals if self.entry else []
        return entries if len(entries) == count else [None] * count


def parse(source: Text) -> Database:
    """Parse one database file.

    Raises
    ------
    DatabaseError
        Nothing of the file can be used.
    """
    if source.format == "dbc":
        return _parse_dbc(source)
    try:
        parsed, problems = _ask(source.text, source)
    except UnsupportedDatabaseFormatError as error:
        raise refusal(source, error.e_kcd or error.e_sym or error.e_arxml) from error
    nowhere = _Place(source.file, None, {})
    messages = tuple(_message(message, nowhere, problems) for message in parsed.messages)
    return Database(messages, _nodes(parsed), tuple(problems), (source.file,))


def _parse_dbc(source: Text) -> Database:
    dbc = prepare(source.text, file=source.file)
    if not dbc.has_entries:
        raise refusal(source, None)
    problems = list(dbc.problems)
    messages: list[Message] = []
    nodes: dict[str, None] = {}
    for entries, parsed in _parsed(source, dbc, problems):
        nodes |= dict.fromkeys(_nodes(parsed))
        places = _Places(source.file, entries, dbc)
        messages += [_message(message, places.of(message), problems) for message in parsed.messages]
    return Database(tuple(messages), tuple(nodes), tuple(problems), (source.file,))


def _parsed(
    source: Text, dbc: DbcText, problems: list[DatabaseProblem]
) -> list[tuple[Sequence[MessageEntry], ParsedDatabase]]:
    """Ask the parser for all messages; where it refuses, for halves of them, down to the one that it refuses."""
    done: list[tuple[Sequence[MessageEntry], ParsedDatabase]] = []
    waiting: list[Sequence[MessageEntry]] = [dbc.messages]
    tries = 0
    while waiting:
        entries = waiting.pop()
        tries += 1
        try:
            parsed, remarks = _ask(dbc.text(entries), source)
        except UnsupportedDatabaseFormatError as error:
            half = len(entries) // 2
            if half and tries < MOST_TRIES:
                waiting += [entries[half:], entries[:half]]
            else:
                problems += [_refused(entry, error.e_dbc, source.file) for entry in entries]
            continue
        problems += remarks
        done.append((entries, parsed))
    return done


def _ask(text: str, source: Text) -> tuple[ParsedDatabase, list[DatabaseProblem]]:
    """Return what cantools makes of a text, and its remarks."""
    with overheard() as remarks:
        parsed = load_string(text, source.format, strict=False, sort_signals=None)
    if not isinstance(parsed, ParsedDatabase):  # only CDD files, which are never asked for, give another class
        raise TypeError(f"expected a CAN database, got {type(parsed).__name__}")
    return parsed, [_remark(remark, source.file) for remark in remarks if not remark.startswith(OVERWRITING)]


def _nodes(parsed: ParsedDatabase) -> tuple[str, ...]:
    return tuple(node.name for node in parsed.nodes if node.name != NO_SENDER)


def _refused(entry: MessageEntry, reason: Exception | None, file: str) -> DatabaseProblem:
    return DatabaseProblem(
        entry.line,
        f"message {entry.name}, which the parser refuses ({str(reason).rstrip('.')})",
        "a message with signals, tables and attributes that it can read",
        file=file,
        done="The message and the signals under it are not used.",
        message=entry.name,
    )


def _remark(said: str, file: str) -> DatabaseProblem:
    return DatabaseProblem(
        0,
        f"the parser remarks: {said}",
        "an entry that is understood without remarks",
        file=file,
        done="The rest of the file is used.",
    )


class _Places:
    """Finds the text of each message, in file order where one identifier comes twice."""

    def __init__(self, file: str, entries: Sequence[MessageEntry], dbc: DbcText) -> None:
        self._file = file
        self._wide_pages = dbc.wide_pages
        self._entries: defaultdict[int, list[MessageEntry]] = defaultdict(list)
        for entry in reversed(entries):
            self._entries[entry.number].append(entry)

    def of(self, message: ParsedMessage) -> _Place:
        number = message.frame_id | (FLAG_EXTENDED if message.is_extended_frame else 0)
        entries = self._entries[number]
        return _Place(self._file, entries.pop() if entries else None, self._wide_pages)


def _message(message: ParsedMessage, place: _Place, problems: list[DatabaseProblem]) -> Message:
    senders = tuple(dict.fromkeys(name for name in message.senders if name != NO_SENDER))
    if message.is_container:
        problems.append(
            DatabaseProblem(
                place.line,
                f"message {message.name} is a container of other messages",
                "a message with signals of its own",
                file=place.file,
                done="The message is known, its content is not decoded.",
            )
        )
    return Message(
        name=message.name,
        identifier=message.frame_id,
        is_extended=message.is_extended_frame,
        length=message.length,
        senders=senders,
        cycle_time_s=_cycle_time_s(message, place, problems),
        signals=_signals(message, place, problems),
        is_fd=message.is_fd,
        line=place.line,
    )


def _cycle_time_s(message: ParsedMessage, place: _Place, problems: list[DatabaseProblem]) -> float | None:
    """Return the declared cycle time [s]; 0 ms means that none is declared."""
    written: object = message.cycle_time  # a number of ms; text where a file declares the attribute as text
    try:
        cycle_time_ms = float(str(written)) if written is not None else 0.0
    except ValueError:
        cycle_time_ms = -1.0
    if 0 <= cycle_time_ms < float("inf"):
        return cycle_time_ms / MS_PER_S or None
    problems.append(
        DatabaseProblem(
            place.line,
            f"cycle time {written} of message {message.name}",
            "a number of milliseconds",
            file=place.file,
            done="The message is taken as one without a cycle time.",
        )
    )
    return None


def _signals(message: ParsedMessage, place: _Place, problems: list[DatabaseProblem]) -> tuple[SignalDefinition, ...]:
    entries = place.signals(len(message.signals))
    # A signal may bear a long name in an attribute; its multiplexer is still told by the short one.
    long_names = {entry.name: signal.name for entry, signal in zip(entries, message.signals, strict=True) if entry}
    signals: dict[str, SignalDefinition] = {}
    for signal, entry in zip(message.signals, entries, strict=True):
        line = entry.line if entry else place.line
        if signal.name in signals:
            problems.append(
                DatabaseProblem(
                    line,
                    f"a second signal {signal.name} in message {message.name}",
                    "every signal of a message under a name of its own",
                    file=place.file,
                    done="Only the first one is decoded.",
                )
            )
            continue
        if entry and entry.mark.startswith("m") and signal.multiplexer_signal is None:
            problems.append(_without_multiplexer(message, signal, entry, place))
        multiplexer = signal.multiplexer_signal
        key = (place.entry.number, entry.name) if place.entry and entry else (-1, "")
        signals[signal.name] = _signal(
            signal,
            multiplexer=long_names.get(multiplexer, multiplexer) if multiplexer else None,
            wide=place.wide_pages.get(key, ()),
            line=line,
        )
    return tuple(signals.values())


def _without_multiplexer(
    message: ParsedMessage, signal: ParsedSignal, entry: SignalEntry, place: _Place
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
        file=place.file,
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
