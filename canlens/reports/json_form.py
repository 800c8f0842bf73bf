"""JSON: a result's written form as the bytes of a file."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.results import Json


def json_bytes(document: dict[str, Json]) -> bytes:
    r"""Write a result as JSON.

    Parameters
    ----------
    document
        What ``to_dict`` of the result returns; its keys keep their order.

    Returns
    -------
    bytes
        UTF-8 (RFC 8259) with a newline at the end. Bytes of a file name that are no text become escapes.

    Raises
    ------
    ValueError
        If a number is not finite, which the written form never holds.

    Examples
    --------
    >>> json_bytes({"load": "60 Ω", "file": "a\udcff"}).decode()
    '{\n  "load": "60 Ω",\n  "file": "a\\udcff"\n}\n'
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2)
    return f"{text}\n".encode("utf-8", "backslashreplace")
