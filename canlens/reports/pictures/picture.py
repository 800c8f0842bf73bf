"""Picture: one drawing of a page with its words, and the form in which the plotting script takes it."""

from __future__ import annotations

import base64
import html
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.reports.characters import visible

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

Parts = dict[str, Any]
"""A part of a figure: keys and values as plotly's own figure schema names them."""

CONFIG: Parts = {
    "responsive": True,
    "displaylogo": False,
    "typesetMath": False,
    "scrollZoom": False,
    "showTips": False,
    "plotlyServerURL": "",
    "modeBarButtons": [["toImage"], ["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]],
}
"""The buttons are named one by one, since the script's own choice holds one that sends the picture away."""


LARGEST = np.iinfo(np.int32).max


@dataclass(frozen=True)
class Picture:
    """One drawing.

    Attributes
    ----------
    name
        For addresses in the page: small letters, digits and hyphens.
    title, caption
        Plain text: what it shows, and how it is to be read and what it leaves out.
    alternative
        Plain text that says with its numbers what the drawing shows, for those who cannot see it.
    figure
        JSON object with ``data``, ``layout`` and ``config``, for ``Plotly.newPlot``. It holds no ``<``, ``>`` or ``&``,
        so that it may stand in a script element as it is. ``layout.height`` is in pixels; the width follows the page.
        Backgrounds are clear and ``layout.font.color`` is the only colour of text.
    """

    name: str
    title: str
    caption: str
    alternative: str
    figure: str


def figure_text(data: Sequence[Parts], layout: Parts) -> str:
    """Write a figure as JSON that may stand in a script element."""
    whole = {"data": list(data), "layout": layout, "config": CONFIG}
    text = json.dumps(whole, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def column(values: npt.ArrayLike, kind: str = "f8") -> Parts:
    """Return a column in plotly's binary form.

    Parameters
    ----------
    values
        Numbers (n,) or (n, m); nan where a line is to be broken.
    kind
        Type of the elements: ``f8``, ``f4``, ``i4``, ``i2``.
    """
    array = np.ascontiguousarray(values, np.dtype(f"<{kind}"))
    form: Parts = {"dtype": kind, "bdata": base64.b64encode(array.tobytes()).decode("ascii")}
    if array.ndim > 1:
        form["shape"] = ", ".join(str(each) for each in array.shape)
    return form


def places(time_s: npt.ArrayLike, line: npt.ArrayLike, *, start: float | None) -> tuple[Parts, str]:
    """Return a column of stamps and lines of the log, and the words of a hover text that show them.

    Parameters
    ----------
    time_s, line
        (n,): times since the start [s], and lines; 0 where there is none.
    start
        Stamp of the first frame [s].

    Returns
    -------
    column
        int32 (n, 3): whole seconds and microseconds of the recording's own clock, and the line. Small, since every
        vertex of a picture has one.
    str
        Part of a ``hovertemplate``.
    """
    stamp_us = np.rint((np.asarray(time_s, float) + (start or 0.0)) * 1e6)
    whole, part = np.divmod(np.nan_to_num(stamp_us).astype(np.int64), 1_000_000)
    lines = np.asarray(line, np.int64)
    words = "<br>log time %{customdata[0]}.%{customdata[1]:06d}"
    words += ", line %{customdata[2]}" if lines.any() else ""
    table = np.column_stack((whole, part, lines))
    fits = not len(table) or (table.max() <= LARGEST and table.min() >= -LARGEST)
    return column(table, "i4" if fits else "f8"), words


def foreign(name: str) -> str:
    """Return a name of a plan, database or recording as text of a figure that means nothing but itself.

    Plotly reads a few tags, entities and ``%{...}`` in labels; all of them lose their effect, as do characters that
    act on the writing.

    Examples
    --------
    >>> foreign("<b>horn</b> %{x}")
    '&lt;b&gt;horn&lt;/b&gt; %&#123;x&#125;'
    """
    return html.escape(visible(name), quote=False).replace("{", "&#123;").replace("}", "&#125;")


def plotly_script() -> str:
    """Return the plotting script that every page with pictures holds once."""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 – 0.15 s that only a page with pictures needs

    return str(get_plotlyjs())
