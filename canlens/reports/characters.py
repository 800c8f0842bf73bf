"""Characters: what would act on a console is made visible, and what the console lacks is replaced."""

from __future__ import annotations

STAND_INS = {
    "Ω": "ohm",
    "\u2126": "ohm",
    "µ": "u",
    "μ": "u",
    "–": "-",
    "—": "-",
    "−": "-",
    "‐": "-",
    "×": "x",
    "÷": "/",
    "±": "+/-",
    "≤": "<=",
    "≥": ">=",
    "≈": "~",
    "≠": "!=",
    "°": " deg ",
    "²": "^2",
    "³": "^3",
    "→": "->",
    "←": "<-",
    "…": "...",
    "·": ".",
    "•": "*",
    "✓": "+",
    "✗": "X",
    "█": "#",
    "▄": "=",
    "“": '"',
    "”": '"',
    "„": '"',
    "«": '"',
    "»": '"',
    "‘": "'",
    "’": "'",
}
"""What stands for a sign of the trade on a console that cannot show it."""


def visible(text: str) -> str:
    r"""Show what would act on a terminal, or hide on it, as an escape; other kinds of space become a space.

    Control characters, escape sequences, marks that turn the writing direction, invisible characters and
    bytes of a file name that are no text all lose their effect.

    Examples
    --------
    >>> visible("\x1b[31mhorn\nbrake")
    '\\x1b[31mhorn\\nbrake'
    >>> visible("a\u202eb\xa0c")
    'a\\u202eb c'
    """
    if text.isprintable():
        return text
    return "".join(_visible_character(character) for character in text)


def _visible_character(character: str) -> str:
    if character.isprintable():
        return character
    if character.isspace() and character > "\x7f" and character not in "\x85\u2028\u2029":
        return " "
    return character.encode("unicode_escape").decode("ascii")


def fitted(text: str, encoding: str) -> str:
    r"""Return the text as a console of this encoding can show it, with nothing left out.

    Parameters
    ----------
    text
        Any text; see :func:`visible` for what happens to control characters.
    encoding
        Name of the console's encoding, such as ``utf-8``, ``cp1252`` or ``ascii``.

    Examples
    --------
    >>> fitted("60 Ω ± 2 – Bühne", "ascii")
    '60 ohm +/- 2 - B\\xfchne'
    """
    text = visible(text)
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return "".join(_stand_in(character, encoding) for character in text)
    return text


def _stand_in(character: str, encoding: str) -> str:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return STAND_INS.get(character) or character.encode("unicode_escape").decode("ascii")
    return character
