"""Written rehearsal: a rehearsal → the files that the person would have, and one that tells the truth."""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING

import numpy as np

from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from canlens.plan import Mark, Observation, Readings
    from canlens.rehearsal.rehearsals import Rehearsal, Truth
    from canlens.trace import Trace

ERROR_FLAG = 0x2000_0000
"""Flag of an error record in a SocketCAN identifier (Linux include/uapi/linux/can.h, CAN_ERR_FLAG)."""
CLASSICAL_LENGTH = 8
"""Most bytes of a classical frame."""


def candump_text(trace: Trace) -> str:
    """Write a trace as text, a line a frame.

    Parameters
    ----------
    trace
        Stamps finer than a microsecond are cut.

    Returns
    -------
    str
        ``(seconds.micros) channel identifier#payload``; three hexadecimal digits for a base identifier
        and eight for an extended one; ``##`` and a digit of flags before the payload of a CAN FD frame (1
        bit rate switch, 2 error state indicator); ``R`` for a remote frame, followed by its length if
        that is not 0; a ``_`` and a digit behind the payload of a classical frame whose DLC is above 8.

    References
    ----------
    can-utils, lib.h: layout of the compact CAN frame ASCII representation.
    """
    micros = trace.time_ns // 1000
    seconds, rest = micros // (NANOSECONDS_PER_SECOND // 1000), micros % (NANOSECONDS_PER_SECOND // 1000)
    names = [trace.channels[index] for index in trace.channel.tolist()]
    stamps = zip(seconds.tolist(), rest.tolist(), names, _identifiers(trace), _contents(trace), strict=True)
    return "".join(f"({whole}.{part:06d}) {name} {number}{rest}\n" for whole, part, name, number, rest in stamps)


def write_candump(trace: Trace, path: Path) -> None:
    """Write a trace to a file, compressed if its name ends in ``.gz``; always the same bytes."""
    text = candump_text(trace).encode("ascii")
    if path.suffix != ".gz":
        path.write_bytes(text)
        return
    path.write_bytes(gzip.compress(text, compresslevel=9, mtime=0))


def _identifiers(trace: Trace) -> list[str]:
    """Return the identifier of each frame as written."""
    is_error = trace.kind == Kind.ERROR
    number = trace.identifier | np.where(is_error, np.uint32(ERROR_FLAG), np.uint32(0))
    is_wide = (trace.is_extended | is_error).tolist()
    return [f"{one:08X}" if wide else f"{one:03X}" for one, wide in zip(number.tolist(), is_wide, strict=True)]


def _contents(trace: Trace) -> list[str]:
    """Return what stands behind the identifier of each frame, its ``#`` included."""
    flags = trace.bit_rate_switch | trace.error_state_indicator.astype(np.uint8) << 1
    columns = zip(
        trace.kind.tolist(),
        trace.is_fd.tolist(),
        flags.tolist(),
        trace.dlc.tolist(),
        trace.payload,
        strict=True,
    )
    return [_content(*column) for column in columns]


def _content(kind: int, is_fd: bool, flags: int, dlc: int, payload: bytes) -> str:  # noqa: FBT001 – a row of columns
    if kind == Kind.REMOTE:
        return f"#R{dlc or ''}"
    if is_fd:
        return f"##{flags:X}{payload.hex().upper()}"
    above = f"_{dlc:X}" if dlc > CLASSICAL_LENGTH and len(payload) == CLASSICAL_LENGTH else ""
    return f"#{payload.hex().upper()}{above}"


def readings_text(readings: Readings) -> str:
    """Write what the meter showed as TOML."""
    return "".join(f"{name} = {one.value:g}\n" for name, one in readings.values.items())


def marks_text(marks: Iterable[Mark]) -> str:
    """Write what the person noted as CSV."""
    rows = [
        f"{mark.time_s:.2f},{mark.label}," + (f"{mark.until_s:.2f}" if mark.until_s is not None else "")
        for mark in marks
    ]
    return "\n".join(["time_s,label,until_s", *rows, ""])


def observed_text(observed: Iterable[Observation]) -> str:
    """Write what eye and ear saw as CSV."""
    rows = [f"{one.time_s:.2f},{one.output},{int(one.on)}" for one in observed]
    return "\n".join(["time_s,output,on", *rows, ""])


RECORDING, MARKS, READINGS, OBSERVED, TRUTH = (
    "recording.log",
    "marks.csv",
    "readings.toml",
    "observed.csv",
    "truth.toml",
)


def rehearsal_files(rehearsal: Rehearsal) -> dict[str, str]:
    """Return the text of each file by name; observations only where there are some."""
    files = {
        RECORDING: candump_text(rehearsal.trace),
        MARKS: marks_text(rehearsal.marks),
        READINGS: readings_text(rehearsal.readings),
        TRUTH: truth_text(rehearsal.truth),
    }
    if rehearsal.observed:
        files[OBSERVED] = observed_text(rehearsal.observed)
    return files


def truth_text(truth: Truth) -> str:
    """Write what is behind a rehearsal as TOML."""
    lines = [f"seed = {truth.seed}"]
    if truth.situations:
        lines.append(f"situations = {json.dumps(list(truth.situations), ensure_ascii=False)}")
    lines += ["", "[rules]"]
    lines += [f"{name} = {json.dumps(rule)}" for name, rule in truth.rules.items()]
    for fault in truth.faults:
        lines += ["", "[[faults]]", f'cause = "{fault.cause}"', f'scope = "{fault.scope}"']
        lines += [f"subject = {json.dumps(list(fault.subject))}", f"strength = {fault.strength:.4f}"]
        lines.append(f"detail = {json.dumps(fault.detail, ensure_ascii=False)}")
    return "\n".join([*lines, ""])
