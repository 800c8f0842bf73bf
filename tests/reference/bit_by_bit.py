"""One frame at a time, one bit after the other: the plain way to the wire, to judge the fast one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canlens.trace import Kind, Payload, Trace

CLASSICAL_BYTES = [0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 8, 8, 8, 8, 8]
FD_BYTES = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]
GRAY = ["0000", "0011", "0110", "0101", "1100", "1111", "1010", "1001"]
"""Stuff count field by stuff bits modulo 8: Gray code, even parity (CTU CAN FD core, after ISO 11898-1)."""


@dataclass(frozen=True)
class Frame:
    identifier: int
    data: bytes = b""
    is_extended: bool = False
    is_remote: bool = False
    dlc: int | None = None
    is_fd: bool = False
    bit_rate_switch: bool = False
    error_state_indicator: bool = False

    @property
    def code(self) -> int:
        return FD_BYTES.index(len(self.data)) if self.dlc is None else self.dlc


def bits_of(value: int, width: int) -> list[int]:
    return [value >> place & 1 for place in range(width - 1, -1, -1)]


def up_to_data(frame: Frame) -> list[int]:
    """Put the fields in their order, start of frame to the end of the data, without stuff bits."""
    remote = int(frame.is_remote)
    bits = [0]
    if frame.is_extended:
        bits += [*bits_of(frame.identifier >> 18, 11), 1, 1, *bits_of(frame.identifier & 0x3FFFF, 18), remote]
    else:
        bits += [*bits_of(frame.identifier, 11), remote, 0]
    if frame.is_fd:
        bits += [1, 0, int(frame.bit_rate_switch), int(frame.error_state_indicator)]
    else:
        bits += [0, 0] if frame.is_extended else [0]
    bits += bits_of(frame.code, 4)
    if not frame.is_remote:
        length = (FD_BYTES if frame.is_fd else CLASSICAL_BYTES)[frame.code]
        for byte in frame.data.ljust(length, b"\0")[:length]:
            bits += bits_of(byte, 8)
    return bits


def remainder(bits: list[int], width: int, polynomial: int, initial: int = 0) -> int:
    """Shift, compare, exclusive-or: the loop printed in Bosch CAN 2.0, 3.1.1."""
    register = initial
    for bit in bits:
        following = bit ^ (register >> (width - 1) & 1)
        register = register << 1 & ((1 << width) - 1)
        if following:
            register ^= polynomial
    return register


def stuffed(bits: list[int], *, after_last: bool = True) -> tuple[list[int], list[int]]:
    """Return the bits with stuff bits, and the positions of those."""
    out: list[int] = []
    positions: list[int] = []
    for number, bit in enumerate(bits):
        out.append(bit)
        is_run = len(out) >= 5 and len(set(out[-5:])) == 1
        if is_run and (after_last or number < len(bits) - 1):
            positions.append(len(out))
            out.append(1 - bit)
    return out, positions


def crc_of(frame: Frame) -> int:
    bits = up_to_data(frame)
    if not frame.is_fd:
        return remainder(bits, 15, 0x4599)
    on_wire, positions = stuffed(bits, after_last=False)
    covered = on_wire + [int(bit) for bit in GRAY[len(positions) % 8]]
    return remainder(covered, *fd_crc(frame))


def fd_crc(frame: Frame) -> tuple[int, int, int]:
    return (17, 0x1685B, 0x10000) if FD_BYTES[frame.code] <= 16 else (21, 0x102899, 0x100000)


def wire(frame: Frame) -> str:
    """Start of frame to end of frame as it stands on the wire, acknowledged."""
    bits = up_to_data(frame)
    if not frame.is_fd:
        on_wire, _ = stuffed(bits + bits_of(crc_of(frame), 15))
        return "".join(map(str, [*on_wire, 1, 0, 1, *[1] * 7]))
    on_wire, positions = stuffed(bits, after_last=False)
    field = [int(bit) for bit in GRAY[len(positions) % 8]] + bits_of(crc_of(frame), fd_crc(frame)[0])
    for number, bit in enumerate(field):
        if number % 4 == 0:
            on_wire.append(1 - on_wire[-1])
        on_wire.append(bit)
    return "".join(map(str, [*on_wire, 1, 0, 1, *[1] * 7]))


def falling_edges(frame: Frame) -> int:
    """From the idle bus to the end of frame, acknowledged; of CAN FD without the last data bit and what follows."""
    sent = wire(frame)
    if frame.is_fd:
        sent = "".join(map(str, stuffed(up_to_data(frame)[:-1])[0]))
    return f"1{sent}".count("10")


def at_data_rate(frame: Frame) -> int:
    """Bits after the bit rate switch up to and with the CRC delimiter."""
    if not (frame.is_fd and frame.bit_rate_switch):
        return 0
    switch = 36 if frame.is_extended else 17  # 1-based place of the switch among the bits without stuff bits
    on_wire, _ = stuffed(up_to_data(frame)[:switch])
    return len(wire(frame)) - len(on_wire) - 9


def trace_of(frames: list[Frame], *, time_ns: list[int] | None = None) -> Trace:
    number = len(frames)
    stamps = time_ns if time_ns is not None else list(range(number))
    return Trace(
        time_ns=np.array(stamps, np.int64),
        segment=np.zeros(number, np.int32),
        channel=np.zeros(number, np.int16),
        identifier=np.array([frame.identifier for frame in frames], np.uint32),
        is_extended=np.array([frame.is_extended for frame in frames], np.bool_),
        kind=np.array([Kind.REMOTE if frame.is_remote else Kind.DATA for frame in frames], np.uint8),
        is_fd=np.array([frame.is_fd for frame in frames], np.bool_),
        bit_rate_switch=np.array([frame.bit_rate_switch for frame in frames], np.bool_),
        error_state_indicator=np.array([frame.error_state_indicator for frame in frames], np.bool_),
        is_rx=np.ones(number, np.bool_),
        dlc=np.array([frame.code for frame in frames], np.uint8),
        payload=Payload.of([frame.data for frame in frames]),
        line=np.arange(1, number + 1),
        channels=("can0",),
    )
