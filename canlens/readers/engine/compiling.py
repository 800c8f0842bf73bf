"""Compiling: what the grammar says of one line becomes a layout, by which all lines like it are read."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from canlens.readers.engine.digits import WIDTH, byte_mask, limits
from canlens.readers.engine.grammar import FrameLine, OtherLine, Span
from canlens.readers.engine.layouts import WORDS_OF_EIGHT, ColumnWord, Data, Layout, Template

HEX: Final = 16
UPPER: Final = 0x67
LOWER: Final = 0x47
FULL_DIGITS: Final = {0x7FF: (3, 7), 0x1FFFFFFF: (8, 1)}
"""Largest identifier -> its hexadecimal digits and the first of them, which no other exceeds."""
FRACTION_DIGITS: Final = 9
SECONDS_DIGITS: Final = 10
IDENTIFIER_DIGITS: Final = 8
ANY: Final = 0x7F
ASCII: Final = 0x80


def checked(frame: FrameLine, line: bytes) -> FrameLine | OtherLine:
    """Hold an identifier against the largest one there can be, and pass over zeros before its full number of digits."""
    start, stop = frame.identifier.start, frame.identifier.stop
    largest = frame.constants.largest_identifier
    try:
        is_one = int(line[start:stop] or b"0", frame.base) <= largest
    except ValueError:  # letters in a decimal file
        is_one = False
    if not is_one:
        return OtherLine(expected=f"an identifier of at most {f'0x{largest:X}' if frame.base == HEX else largest}")
    full = FULL_DIGITS[largest][0]
    is_long = frame.base == HEX and stop - start > full
    return replace(frame, identifier=Span(stop - full, stop)) if is_long else frame


def compile_layout(frame: FrameLine, line: bytes, letter_step: int = UPPER) -> Layout | None:
    """Make the layout of a line, ``None`` where its data bytes do not stand at the distance the format has.

    Parameters
    ----------
    letter_step
        Case of the letters, where the line has none: :data:`UPPER` or :data:`LOWER`.
    """
    length = frame.constants.payload_length
    stop = frame.run + frame.pitch * length
    if stop > len(line) or not _is_regular(frame, line):
        return None
    constants = frame.constants if frame.is_fixed else replace(frame.constants, dlc=0, payload_length=0)
    digits = frame.fraction.stop - frame.fraction.start
    head = _head(frame, line)
    count = len(head.expected)
    identifier = _right_aligned(frame.identifier)
    return Layout(
        constants=replace(constants, channel=b""),
        head=head,
        probe=min(frame.identifier.stop // WIDTH, count - 1),
        words=max(count, -(-(frame.run + WIDTH * frame.pitch) // WIDTH)),
        stamp=_stamp(frame.seconds, frame.fraction),
        stamp_scale=10 ** (FRACTION_DIGITS - digits),
        may_overflow=frame.seconds.stop - frame.seconds.start >= SECONDS_DIGITS,
        channel=_channel_piece(frame),
        identifier=identifier,
        base=frame.base,
        data=_data(frame, line),
        tail_kind=frame.tail_kind,
        letter_step=case_of(frame, line) or letter_step,
        limits=tuple(limits(piece.mask) for piece in reversed(identifier)),
        tails={len(line) - stop: (_tail(frame, line, stop),)},
    )


def key_of(layout: Layout) -> object:
    """Return what tells layouts apart; two of one key differ in names of channels and in tails only."""
    by_end = layout.data.length < 0 and layout.data.counted < 0
    return (
        layout.constants,
        layout.head,
        layout.channel,
        layout.base,
        layout.letter_step,
        (layout.data.run, layout.data.pitch, layout.data.lead, layout.data.length, layout.data.counted),
        tuple(layout.tails) if by_end else (),
    )


def channel_word(frame: FrameLine) -> int:
    """Return the name of the channel as the word by which layouts look it up."""
    return int.from_bytes(frame.constants.channel, "little") if _channel_piece(frame).mask else 0


def case_of(frame: FrameLine, line: bytes) -> int:
    """Tell the case of the hexadecimal letters; 0 if there are none."""
    text = line[frame.identifier.start : frame.identifier.stop] + line[frame.payload.start : frame.payload.stop]
    return LOWER if text != text.upper() else UPPER if text != text.lower() else 0


def spelled(frame: FrameLine, line: bytes) -> tuple[FrameLine, bytes]:
    """Write a line of any spelling anew, in the one spelling that has fixed columns.

    Lines of odd spelling (decimal data, uneven blanks, letters of both cases) thus become alike, and are read by
    a layout as all others are.
    """
    seconds, fraction, number = (
        line[span.start : span.stop] for span in (frame.seconds, frame.fraction, frame.identifier)
    )
    text = line[frame.payload.start : frame.payload.stop]
    if frame.joint:  # the bytes may have one digit, or be decimal
        text = bytes(int(byte, frame.base) for byte in text.replace(frame.joint, b" ").split()).hex().encode()
    new = b"%b%b%08X%b" % (
        seconds.rjust(SECONDS_DIGITS, b"0"),
        fraction.ljust(FRACTION_DIGITS, b"0"),
        int(number or b"0", frame.base),
        text.upper(),
    )
    places = [0, SECONDS_DIGITS, SECONDS_DIGITS + FRACTION_DIGITS]
    run = places[2] + IDENTIFIER_DIGITS
    columns = FrameLine(
        constants=frame.constants,
        channel=Span(0, 0),
        seconds=Span(places[0], places[1]),
        fraction=Span(places[1], places[2]),
        identifier=Span(places[2], run),
        payload=Span(run, len(new)),
    )
    return columns, new


def _is_regular(frame: FrameLine, line: bytes) -> bool:
    """Tell whether pairs of hexadecimal digits at the distance the format has stand behind all other numbers."""
    if len(frame.joint) > 1 or frame.run < max(frame.identifier.stop, frame.fraction.stop, frame.channel.stop):
        return False
    text = line[frame.payload.start : frame.payload.stop]
    digits = text.replace(frame.joint, b"") if frame.joint else text
    pairs = [digits[at : at + 2] for at in range(0, len(digits), 2)]
    length = frame.constants.payload_length
    return not length or (frame.base == HEX and len(digits) == 2 * length and text == frame.joint.join(pairs))


class _Sheet:
    """Templates under construction, a byte a column."""

    def __init__(self, text: bytes, size: int) -> None:
        self.expected = bytearray(text.ljust(size, b"\0"))
        self.bounds = bytearray(b"\x7f" * len(text) + bytes(size - len(text)))
        self.kept = bytearray(b"\xff" * len(text) + bytes(size - len(text)))

    def allow(self, start: int, stop: int, largest: int) -> None:
        """Let columns be digits up to ``largest``, or any character that is checked elsewhere."""
        width = max(stop - start, 0)
        self.expected[start:stop] = b"0" * width
        self.bounds[start:stop] = bytes([ANY - largest]) * width

    def blank_out(self, start: int, stop: int, kept: int) -> None:
        """Compare nothing in some columns."""
        width = max(stop - start, 0)
        self.expected[start:stop] = bytes(width)
        self.bounds[start:stop] = bytes(width)
        self.kept[start:stop] = bytes([kept]) * width

    def template(self) -> Template:
        return Template(*(_as_words(columns) for columns in (self.expected, self.bounds, self.kept)))


def _head(frame: FrameLine, line: bytes) -> Template:
    """Make the template of the columns before the data bytes."""
    size = -(-frame.run // WIDTH) * WIDTH
    sheet = _Sheet(line[: frame.run], size)
    for span in (frame.seconds, frame.fraction):
        sheet.allow(span.start, span.stop, 9)
    sheet.allow(frame.identifier.start, frame.identifier.stop, 9 if frame.base == 10 else ANY)  # noqa: PLR2004
    full, largest_first = FULL_DIGITS[frame.constants.largest_identifier]
    if frame.base == HEX and frame.identifier.stop - frame.identifier.start == full:
        sheet.bounds[frame.identifier.start] = ANY - largest_first
    if frame.counted >= 0:
        sheet.allow(frame.counted, frame.counted + 1, WIDTH)
    if _channel_piece(frame).mask:
        sheet.blank_out(frame.channel.start, frame.channel.stop, 0xFF)
    return sheet.template()


def _tail(frame: FrameLine, line: bytes, start: int) -> Template:
    sheet = _Sheet(line[start:], -(-(len(line) - start) // WIDTH) * WIDTH)
    for span in frame.passed_over:
        sheet.allow(span.start - start, span.stop - start, 9)
    for span in frame.unread:
        sheet.blank_out(span.start - start, span.stop - start, 0)
    return sheet.template()


def _data(frame: FrameLine, line: bytes) -> Data:
    """Compile the run of data bytes."""
    length = frame.constants.payload_length
    size = WIDTH * WORDS_OF_EIGHT[frame.pitch]
    unit = frame.joint + b"0" * 2
    digits = (b"\0" * len(frame.joint) + b"\xff" * 2) * WIDTH
    pairs = [limits(word) for word in _as_words(bytearray(digits))]
    kept = [
        _as_words(bytearray(b"\xff" * (frame.pitch * count) + bytes(size - frame.pitch * count)))
        for count in range(WIDTH + 1)
    ]
    is_short = frame.is_fixed and length < WIDTH
    return Data(
        run=frame.run,
        pitch=frame.pitch,
        lead=line[frame.run] ^ frame.joint[0] if frame.joint and length else 0,
        length=length if frame.is_fixed else -1,
        counted=frame.counted if not frame.is_fixed else -1,
        expected=_as_words(bytearray(unit * WIDTH)),
        over_9=tuple(pair[0] for pair in pairs),
        over_15=tuple(pair[1] for pair in pairs),
        kept=np.array([kept[min(count, length)] if is_short else kept[count] for count in range(WIDTH + 1)], np.uint64),
    )


def _channel_piece(frame: FrameLine) -> ColumnWord:
    """Return the columns of the channel's name, if it is short and plain enough to be looked up as one word."""
    width = frame.channel.stop - frame.channel.start
    name = frame.constants.channel
    if not 0 < width <= WIDTH or max(name) >= ASCII:
        return ColumnWord(0, 0, 0)
    return ColumnWord(frame.channel.start, byte_mask(0, width), width)


def _right_aligned(columns: Span) -> tuple[ColumnWord, ...]:
    """Cut a number into words, the last eight digits in the last word."""
    pieces: list[ColumnWord] = []
    stop = columns.stop
    while stop > columns.start:
        digits = min(WIDTH, stop - columns.start)
        pieces.insert(0, ColumnWord(stop - WIDTH, byte_mask(WIDTH - digits, WIDTH), digits))
        stop -= digits
    return tuple(pieces)


def _stamp(seconds: Span, fraction: Span) -> tuple[tuple[tuple[ColumnWord, ...], int], ...]:
    """Cut the digits on both sides of the decimal sign into words of eight, and give each its power of ten."""
    columns = [*range(seconds.start, seconds.stop), *range(fraction.start, fraction.stop)]
    out = []
    power = 1
    while columns:
        taken, columns = columns[-WIDTH:], columns[:-WIDTH]
        runs: dict[int, list[int]] = {}
        for place, column in enumerate(taken, WIDTH - len(taken)):
            runs.setdefault(column - place, []).append(place)
        pieces = tuple(ColumnWord(at, byte_mask(places[0], places[-1] + 1), len(taken)) for at, places in runs.items())
        out.append((pieces, power))
        power *= 10**WIDTH
    return tuple(out)


def _as_words(columns: bytearray) -> tuple[int, ...]:
    return tuple(np.frombuffer(bytes(columns), np.uint64).tolist())
