"""A picture's figure, taken apart again: its columns as numbers, its traces by name."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from canlens.reports.pictures import Picture


def figure_of(picture: Picture) -> dict[str, Any]:
    """Return the figure of a picture as Python values, its columns still packed."""
    figure: dict[str, Any] = json.loads(picture.figure)
    return figure


def unpacked(column: Any) -> np.ndarray[Any, np.dtype[Any]]:
    """Return the numbers of a column, packed (as plotly's figure schema has it: base64, little-endian) or listed."""
    if isinstance(column, list):
        return np.array(column)
    flat = np.frombuffer(base64.b64decode(column["bdata"]), np.dtype(f"<{column['dtype']}"))
    shape = tuple(int(each) for each in column["shape"].split(",")) if "shape" in column else flat.shape
    return flat.reshape(shape)


def hovering(picture: Picture, words: str) -> list[dict[str, Any]]:
    """Return the traces whose hover text holds some words."""
    return [trace for trace in figure_of(picture)["data"] if words in trace.get("hovertemplate", "")]


def one_hovering(picture: Picture, words: str) -> dict[str, Any]:
    """Return the only trace whose hover text holds some words."""
    (trace,) = hovering(picture, words)
    return trace


def texts_of(figure: dict[str, Any]) -> list[str]:
    """Return every text that plotly shows or interprets, wherever it stands in a figure."""
    found: list[str] = []

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            for key, each in value.items():
                if key != "bdata":
                    walk(each)
        elif isinstance(value, list):
            for each in value:
                walk(each)
        elif isinstance(value, str):
            found.append(value)

    walk(figure)
    return found
