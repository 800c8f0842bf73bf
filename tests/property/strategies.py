"""Hypothesis strategies: layouts of messages as DBC text, and payloads for them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hypothesis import strategies as st

FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)
EXTENDED = 0x8000_0000


@dataclass(frozen=True)
class DrawnSignal:
    """One signal as drawn; ``mark`` and ``pages`` tell how it is multiplexed, ``multiplexer`` by whom."""

    name: str
    start: int
    length: int
    motorola: bool
    signed: bool = False
    floating: bool = False
    scale: str = "1"
    offset: str = "0"
    mark: str = ""
    multiplexer: str = ""
    pages: tuple[tuple[int, int], ...] = ()

    def bits(self) -> list[int]:
        """Walk over the signal's DBC bit numbers: Motorola goes down inside a byte, then to bit 7 of the next."""
        bits, bit = [], self.start
        for _ in range(self.length):
            bits.append(bit)
            if self.motorola:
                bit += 15 if bit % 8 == 0 else -1
            else:
                bit += 1
        return bits

    def text(self) -> str:
        order, sign = "0" if self.motorola else "1", "-" if self.signed else "+"
        return (
            f" SG_ {self.name} {self.mark}: {self.start}|{self.length}@{order}{sign}"
            f' ({self.scale},{self.offset}) [0|0] "" Vector__XXX\n'
        )


@dataclass(frozen=True)
class DrawnMessage:
    """One message as drawn."""

    identifier: int
    is_extended: bool
    length: int
    signals: tuple[DrawnSignal, ...]
    extended_multiplexing: bool = False

    def text(self) -> str:
        """Write the message as a whole DBC."""
        number = self.identifier | (EXTENDED if self.is_extended else 0)
        lines = ['VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Vector__XXX\n\n']
        lines.append(f"BO_ {number} Drawn: {self.length} Vector__XXX\n")
        lines += [signal.text() for signal in self.signals]
        lines.append("\n")
        for signal in self.signals:
            if signal.floating:
                lines.append(f"SIG_VALTYPE_ {number} {signal.name} : {2 if signal.length == 64 else 1};\n")
            if self.extended_multiplexing and signal.multiplexer:
                ranges = ", ".join(f"{low}-{high}" for low, high in signal.pages)
                lines.append(f"SG_MUL_VAL_ {number} {signal.name} {signal.multiplexer} {ranges};\n")
        return "".join(lines)

    def alone(self, signal: DrawnSignal) -> DrawnMessage:
        """Return a message that holds this signal only, long enough for it."""
        length = max(signal.bits()) // 8 + 1
        plain = replace(signal, mark="", multiplexer="", pages=())
        return replace(self, length=length, signals=(plain,), extended_multiplexing=False)


scales = st.one_of(
    st.sampled_from(["1", "2", "-1", "0.1", "0.125", "1.0", "3.0", "-40", "65536", "1e-3", "-0.5"]),
    st.integers(-(10**12), 10**12).map(str),
    st.floats(-1e9, 1e9, allow_subnormal=False).map(repr),
).filter(float)
"""A factor of 0 is a problem by itself, and has tests of its own."""
offsets = st.one_of(
    st.sampled_from(["0", "0", "-40", "250", "0.5", "-273.15", "9007199254740993"]),
    st.integers(-(10**12), 10**12).map(str),
    st.floats(-1e9, 1e9, allow_subnormal=False).map(repr),
)


@st.composite
def drawn_signals(draw: st.DrawFn, name: str, message_length: int) -> DrawnSignal:
    """Draw a signal that fits its message."""
    all_bits = 8 * message_length
    floating = draw(st.integers(0, 9)) == 0 and all_bits >= 16
    if floating:
        length = draw(st.sampled_from([bits for bits in (16, 32, 64) if bits <= all_bits]))
    else:
        length = draw(st.integers(1, min(64, all_bits)) | st.integers(1, min(12, all_bits)))
    before = draw(st.integers(0, all_bits - length))
    motorola = draw(st.booleans())
    return DrawnSignal(
        name,
        start=before // 8 * 8 + 7 - before % 8 if motorola else before,
        length=length,
        motorola=motorola,
        signed=draw(st.booleans()),
        floating=floating,
        scale=draw(scales),
        offset=draw(offsets),
    )


@st.composite
def wide_messages(draw: st.DrawFn) -> DrawnMessage:
    """Draw a CAN FD message of one signal, wide enough to lie in nine bytes or more."""
    length = draw(st.sampled_from(FD_LENGTHS))
    signal = draw(drawn_signals("Wide", length))
    bits = draw(st.integers(58, 64) | st.integers(65, 8 * length))
    before = draw(st.integers(0, 8 * length - bits))
    start = before // 8 * 8 + 7 - before % 8 if signal.motorola else before
    signal = replace(signal, start=start, length=bits, floating=False)
    return DrawnMessage(0x123, is_extended=False, length=length, signals=(signal,))


@st.composite
def multiplexers(draw: st.DrawFn, name: str, message_length: int) -> DrawnSignal:
    """Draw a signal that selects pages: unsigned, at most a byte, not scaled."""
    signal = draw(drawn_signals(name, message_length))
    length = draw(st.integers(1, 8))
    before = draw(st.integers(0, 8 * message_length - length))
    start = before // 8 * 8 + 7 - before % 8 if signal.motorola else before
    return DrawnSignal(name, start, length, signal.motorola)


@st.composite
def page_ranges(draw: st.DrawFn, highest: int) -> tuple[tuple[int, int], ...]:
    """Draw one to three closed ranges of pages."""
    ranges = []
    for _ in range(draw(st.integers(1, 3))):
        low = draw(st.integers(0, highest))
        ranges.append((low, draw(st.integers(low, min(highest, low + 20)))))
    return tuple(ranges)


def _collides(one: DrawnSignal, other: DrawnSignal) -> bool:
    """Tell whether two signals share bits and may come in one frame."""
    if one.multiplexer and one.multiplexer == other.multiplexer:
        meet = any(a <= d and c <= b for a, b in one.pages for c, d in other.pages)
        return meet and not set(one.bits()).isdisjoint(other.bits())
    return not set(one.bits()).isdisjoint(other.bits())


@st.composite
def drawn_messages(draw: st.DrawFn) -> DrawnMessage:
    """Draw a message whose signals never share bits in one frame."""
    is_extended = draw(st.booleans())
    length = draw(st.integers(1, 8) | st.sampled_from(FD_LENGTHS))
    kept: list[DrawnSignal] = []
    kind = draw(st.sampled_from(["plain", "plain", "simple", "ranges", "nested"]))
    above: list[DrawnSignal] = []
    if kind != "plain":
        top = replace(draw(multiplexers("Top", length)), mark="M")
        kept.append(top)
        above.append(top)
    if kind == "nested":
        page = draw(st.integers(0, 2 ** above[0].length - 1))
        inner = draw(multiplexers("Inner", length))
        inner = replace(inner, mark=f"m{page}M", multiplexer="Top", pages=((page, page),))
        if not _collides(inner, kept[0]):
            kept.append(inner)
            above.append(inner)
    for number in range(draw(st.integers(1, 8))):
        signal = draw(drawn_signals(f"S{number}", length))
        if draw(st.booleans()) and above:
            multiplexer = draw(st.sampled_from(above))
            pages = draw(page_ranges(2**multiplexer.length - 1))
            if kind == "simple":
                pages = ((pages[0][0], pages[0][0]),)
            mark = f"m{pages[0][0]}"
            signal = replace(signal, mark=mark, multiplexer=multiplexer.name, pages=pages)
        if not any(_collides(signal, other) for other in kept):
            kept.append(signal)
    return DrawnMessage(
        identifier=draw(st.integers(0, 2**29 - 1 if is_extended else 2**11 - 1)),
        is_extended=is_extended,
        length=length,
        signals=tuple(draw(st.permutations(kept))),
        extended_multiplexing=kind in {"ranges", "nested"},
    )


@st.composite
def careless_messages(draw: st.DrawFn) -> DrawnMessage:
    """Draw a message as people write it by hand: signals may share bits and stick out of it."""
    length = draw(st.integers(1, 8))
    count = draw(st.integers(1, 6))
    signals = tuple(draw(drawn_signals(f"S{number}", length + 2)) for number in range(count))
    return DrawnMessage(draw(st.integers(0, 2**11 - 1)), is_extended=False, length=length, signals=signals)


def payloads(longest: int) -> st.SearchStrategy[bytes]:
    """Draw a payload of up to ``longest`` bytes, with many equal bytes for the sake of pages that are hit."""
    return st.one_of(
        st.binary(max_size=longest),
        st.binary(min_size=longest, max_size=longest),
        st.builds(lambda byte, count: bytes([byte]) * count, st.integers(0, 255), st.just(longest)),
    )
