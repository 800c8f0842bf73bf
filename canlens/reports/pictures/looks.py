"""Looks: colours, dashes and shapes of all pictures; nothing is told by a colour alone.

Every colour stands out at least three to one from a white as well as from a near-black page (WCAG 2.2, 1.4.11).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from canlens.nouns.pictures import Outcome, ShadeKind

Parts = dict[str, Any]
"""A part of a figure: keys and values as plotly's own figure schema names them."""


BLUE, ORANGE, GREEN, RED, GREY, VIOLET = "#2f7fd0", "#c26a10", "#2e8b57", "#d6453d", "#808080", "#8a63d2"
GRID = "rgba(128,128,128,0.28)"
CLEAR = "rgba(0,0,0,0)"

FONT_SIZE = 13
SMALL = 12

ANSWER_LINES: dict[Outcome, Parts] = {
    "answered": {"color": GREEN, "width": 1.5, "dash": "solid"},
    "late": {"color": ORANGE, "width": 2, "dash": "dash"},
}
ANSWER_SIGNS: dict[Outcome, Parts] = {
    "late": {"symbol": "diamond-open", "size": 11, "color": ORANGE, "line": {"width": 2}},
    "unanswered": {"symbol": "x-thin-open", "size": 11, "color": RED, "line": {"width": 3}},
    "too-short": {"symbol": "circle-open", "size": 8, "color": GREY, "line": {"width": 1.5}},
    "still-on": {"symbol": "square-open", "size": 8, "color": GREY, "line": {"width": 1.5}},
}
MOMENT_SIGNS: dict[str, Parts] = {
    "unasked": {"symbol": "triangle-down", "size": 11, "color": RED},
    "dropped": {"symbol": "star-triangle-up-open", "size": 12, "color": RED, "line": {"width": 2}},
}
SHADES: dict[ShadeKind, tuple[str, str]] = {
    "bus-silent": ("bus silent", "rgba(128,128,128,0.30)"),
    "channel-stopped": ("channel stopped", "rgba(138,99,210,0.30)"),
    "controller-away": ("controller away", "rgba(214,69,61,0.30)"),
    "unread-lines": ("lines not readable", "rgba(194,106,16,0.30)"),
    "clock-restart": ("clock started anew", "rgba(194,106,16,0.30)"),
    "rest": ("you touched nothing (mark)", "rgba(46,139,87,0.18)"),
}
MARK_SIGN: Parts = {"symbol": "line-ns-open", "size": 12, "color": VIOLET, "line": {"width": 2}}
LIMIT_DASHES = {"continuous": "dash", "peak": "dot", "least": "dash"}
LIMIT_WORDS = {"continuous": "limit", "peak": "peak limit", "least": "limit"}
CHANNEL_DASHES = ("solid", "dash", "dot", "dashdot")


def plain_layout(*, height: int) -> Parts:
    """Return what every picture's layout begins with; ``height`` in pixels."""
    return {
        "height": height,
        "autosize": True,
        "paper_bgcolor": CLEAR,
        "plot_bgcolor": CLEAR,
        "font": {"size": FONT_SIZE, "color": "#444444", "family": "system-ui, sans-serif"},
        "margin": {"l": 46, "r": 10, "t": 12, "b": 44, "pad": 0},
        "hovermode": "closest",
        "hoverlabel": {"namelength": -1, "align": "left"},
        "dragmode": "zoom",
        "showlegend": True,
        "legend": {
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 1,
            "yanchor": "bottom",
            "bgcolor": CLEAR,
            "font": {"size": SMALL},
            "title": {"text": "Key", "side": "top", "font": {"size": SMALL}},
        },
        "modebar": {"bgcolor": CLEAR, "color": GREY, "activecolor": BLUE},
    }
