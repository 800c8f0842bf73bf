"""What is odd about well written signals: which stick out of their message, which share bits, which say nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.database.nouns import DatabaseProblem, Message, SignalDefinition

if TYPE_CHECKING:
    from collections.abc import Iterator

Pages = tuple[tuple[int, int], ...]


def layout_problems(message: Message, *, file: str) -> list[DatabaseProblem]:
    """Tell which signals lie where they should not; all of them are kept."""
    without_factor = [
        DatabaseProblem(
            signal.line,
            f"signal {signal.name} of message {message.name} with factor 0",
            "a factor that is not 0; with it every value is the same",
            file=file,
            done="The signal is decoded as declared.",
            mend="Write the factor; 1 shows raw values.",
            message=message.name,
        )
        for signal in message.signals
        if not signal.scale
    ]
    misplaced = [
        DatabaseProblem(
            signal.line, f"signal {signal.name} of message {message.name}{found}", expected, file=file, done=done
        )
        for signal, found, expected, done in _misplaced(message)
    ]
    return [*without_factor, *misplaced]


def _misplaced(message: Message) -> Iterator[tuple[SignalDefinition, str, str, str]]:
    """Yield each signal whose place is odd, with what is found, what is expected, and what is done with it."""
    for signal in message.signals:
        if signal.needed_length > message.length:
            found = f" needs {signal.needed_length} bytes of payload"
            expected = f"at most the {message.length} bytes that the message declares"
            yield signal, found, expected, "The signal is decoded in those frames that are long enough."
    for signal in message.signals:
        if message.multiplexers(signal) is None:
            found = f", on a page that {signal.multiplexer} selects"
            expected = "a multiplexer in the same message, which does not hang on this signal in turn"
            yield signal, found, expected, "The signal is decoded in no frame."
    for signal, others in _overlaps(message):
        found = f" shares bits with {', '.join(other.name for other in others)}"
        done = "All of them are decoded; check start bits, lengths and byte orders."
        yield signal, found, "every bit of a message in one signal only", done


def _overlaps(message: Message) -> Iterator[tuple[SignalDefinition, list[SignalDefinition]]]:
    """Yield each signal that shares bits with earlier ones of the message."""
    before: list[tuple[SignalDefinition, int]] = []
    taken = 0
    for signal in message.signals:
        bits = signal.bits
        if bits & taken:
            others = [other for other, its_bits in before if bits & its_bits and _may_meet(message, signal, other)]
            if others:
                yield signal, others
        taken |= bits
        before.append((signal, bits))


def _may_meet(message: Message, one: SignalDefinition, other: SignalDefinition) -> bool:
    """Tell whether one frame may carry both signals: no multiplexer puts them on different pages."""
    conditions = _conditions(message, one)
    return all(
        _share_a_page(conditions[multiplexer], pages)
        for multiplexer, pages in _conditions(message, other).items()
        if multiplexer in conditions
    )


def _conditions(message: Message, signal: SignalDefinition) -> dict[str, Pages]:
    """Return multiplexer -> pages for a signal and all the multiplexers it hangs on."""
    hanging = (signal, *(message.multiplexers(signal) or ()))
    return {one.multiplexer: one.pages for one in hanging if one.multiplexer is not None}


def _share_a_page(pages: Pages, others: Pages) -> bool:
    return any(low <= other_high and other_low <= high for low, high in pages for other_low, other_high in others)
