"""Baseline files: a baseline as compressed JSON, written in one piece and checked when it is read."""

from __future__ import annotations

import gzip
import io
import json
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.errors import LogError
from canlens.nouns.baselines import BASELINE_SCHEMA, Baseline, ChannelBaseline, IdentifierBaseline
from canlens.results.form import form_of, plain

if TYPE_CHECKING:
    from canlens.trace import Ints


HEAD = f'{{"schema": "{BASELINE_SCHEMA.rpartition("/")[0]}'.encode()
"""How the text of every baseline begins."""
GZIP_MAGIC = b"\x1f\x8b"
MOST_BYTES = 1 << 28
"""A file that holds more text is no baseline: an hour takes some hundred kilobytes."""


def baseline_bytes(baseline: Baseline) -> bytes:
    """Write a baseline; the same baseline gives the same bytes."""
    text = json.dumps(plain(baseline), ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    text = text.replace('{"schema":', '{"schema": ', 1)
    return gzip.compress(text.encode(), mtime=0)


def is_baseline(file: str | Path) -> bool:
    """Tell from its first bytes whether a file is a baseline; False if it cannot be opened."""
    try:
        with Path(file).open("rb") as stream:
            head = stream.read(4096)
    except OSError:
        return False
    if head.startswith(GZIP_MAGIC):
        try:
            head = zlib.decompressobj(wbits=31).decompress(head, len(HEAD))
        except zlib.error:
            return False
    return head.startswith(HEAD)


def read_baseline(file: str | Path) -> Baseline:
    """Read a baseline that was kept.

    Raises
    ------
    LogError
        The file cannot be read, or what stands in it is no baseline.
    """
    name = str(file)
    form = _checked(name, _text(name))
    channels = tuple(_channel(name, channel) for channel in form.channels)
    return Baseline(form.recording, channels, form.quiet, is_kept=True)


def _text(name: str) -> bytes:
    """Return the text of a file, unpacked if it is packed."""
    try:
        content = Path(name).read_bytes()
        if content.startswith(GZIP_MAGIC):
            with gzip.GzipFile(fileobj=io.BytesIO(content)) as packed:
                content = packed.read(MOST_BYTES + 1)
    except (OSError, EOFError, zlib.error) as error:
        raise LogError(name, f"cannot be read: {error}. Save the baseline again.") from error
    if len(content) > MOST_BYTES:
        raise LogError(name, "is too large for a baseline. Save it again with canlens survey LOG --save-baseline FILE.")
    return content


def _checked(name: str, content: bytes) -> Any:
    """Return the form of a file, or say what is wrong with it."""
    from pydantic import TypeAdapter, ValidationError  # noqa: PLC0415 – slow to import, and only wanted here

    try:
        return TypeAdapter(form_of(Baseline)).validate_json(content)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the text"
        raise LogError(
            name,
            f"is no baseline that can be read: {place}: {first['msg']}. Save it again with canlens survey LOG "
            "--save-baseline FILE.",
        ) from error


CHANNEL_COLUMNS = ("start_ms", "awake_ms", "busy_us", "episodes", "error_records")
IDENTIFIER_COLUMNS = ("in_block", "on_beat", "slope", "worth", "square", "gaps")
SIGNED = ("slope", "square", "start_ms")


def _channel(name: str, form: Any) -> ChannelBaseline:
    """Build a channel; all columns must be as long as its blocks are many."""
    size = len(form.start_ms)
    if len(form.control) not in (0, size) or set(form.control) - set("10~"):
        raise LogError(name, f"{form.name}.control: expected {size} signs, each 1, 0 or ~. Save the baseline again.")
    columns = {key: _column(name, f"{form.name}.{key}", getattr(form, key), size) for key in CHANNEL_COLUMNS}
    identifiers = tuple(_identifier(name, form.name, each, size) for each in form.identifiers)
    return ChannelBaseline(**{**vars(form), **columns, "identifiers": identifiers})


def _identifier(name: str, channel: str, form: Any, size: int) -> IdentifierBaseline:
    """Build an identifier of a channel with so many blocks."""
    place = f"{channel}.0x{form.identifier:x}"
    if not form.lengths or form.frames < 1 or not 0 <= form.identifier < 1 << 29:
        raise LogError(
            name, f"{place}: expected an identifier of 29 bits at most, with frames. Save the baseline again."
        )
    columns = {key: _column(name, f"{place}.{key}", getattr(form, key), size) for key in IDENTIFIER_COLUMNS}
    return IdentifierBaseline(**{**vars(form), **columns})


def _column(name: str, place: str, values: list[int], size: int) -> Ints:
    """Return a column as an array, or say why it is none."""
    if len(values) != size:
        raise LogError(name, f"{place}: expected {size} numbers, found {len(values)}. Save the baseline again.")
    low = -(1 << 62) if place.rpartition(".")[2] in SIGNED else 0
    if any(not low <= each < 1 << 62 for each in values):
        raise LogError(name, f"{place}: expected whole numbers from {max(low, 0)} on. Save the baseline again.")
    return np.array(values, np.int64)
