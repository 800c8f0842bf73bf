"""Numbers of a DBC that are written as no other program reads them."""

from __future__ import annotations

import re

from canlens.database.dbc.grammar import NUMBER

_NUMBER = re.compile(NUMBER, re.ASCII)
_MOST_DIGITS = 300
FULL_NUMBER = "a digit on both sides of the decimal point"
DECIMAL_POINT = "a point as the decimal sign"


def mended_number(written: str, expected: list[str]) -> str | None:
    """Return a number as the parser reads it; None where none can be read.

    Parameters
    ----------
    written
        As it stands in the file.
    expected
        Takes what was expected and not met.

    Examples
    --------
    >>> mended_number(".25", []), mended_number("- 0,5", []), mended_number("1.2.3", [])
    ('0.25', '-0.5', None)
    """
    text = written.strip()
    if _NUMBER.fullmatch(text):
        return text if len(text) < _MOST_DIGITS else None
    tried = re.sub(r"^([-+])\s+", r"\1", text)
    if tried != text:
        expected.append("no blank behind the sign")
    if tried.count(",") == 1 and "." not in tried:
        tried = tried.replace(",", ".")
        expected.append(DECIMAL_POINT)
    if re.match(r"[-+]?\.\d", tried):
        tried = tried.replace(".", "0.", 1)
        expected.append(FULL_NUMBER)
    if re.fullmatch(r"[-+]?0[xX][0-9a-fA-F]+", tried):
        tried = str(int(tried, 16))
        expected.append("a decimal number")
    return tried if _NUMBER.fullmatch(tried) and len(tried) < _MOST_DIGITS else None


def mended_whole(written: str, expected: list[str]) -> int | None:
    """Return a whole number; None where none can be read.

    Examples
    --------
    >>> mended_whole("8.0", []), mended_whole("0x10", []), mended_whole("2.5", []), mended_whole("007", [])
    (8, 16, None, 7)
    """
    if re.fullmatch(r"[-+]?\d{1,20}", written, re.ASCII):
        return int(written)
    if re.fullmatch(r"[-+]?\d{1,20}\.0*", written, re.ASCII):
        expected.append("a whole number")
        return int(written.partition(".")[0])
    if re.fullmatch(r"[-+]?0[xX][0-9a-fA-F]{1,16}", written):
        expected.append("a decimal number")
        return int(written, 16)
    return None


def mended_pair(written: str, expected: list[str]) -> tuple[str, str] | None:
    """Return factor and offset; None where they cannot be told apart.

    With decimal commas there are more commas than one; three parts are read so that the factor is not 0.

    Examples
    --------
    >>> mended_pair("0,25,0", []), mended_pair("0,5,-1,5", []), mended_pair("0.5;10", []), mended_pair("2", [])
    (('0.25', '0'), ('0.5', '-1.5'), ('0.5', '10'), ('2', '0'))
    """
    notes: list[str] = []
    parts = [part.strip() for part in written.split(";" if ";" in written else ",")]
    if ";" in written:
        notes.append("a comma between factor and offset")
    if len(parts) == 1:
        parts.append("0")
        notes.append("factor and offset")
    elif len(parts) == 4:  # noqa: PLR2004 – two numbers with a comma each
        parts = [f"{parts[0]}.{parts[1]}", f"{parts[2]}.{parts[3]}"]
        notes.append(DECIMAL_POINT)
    elif len(parts) == 3 and parts[0] in {"0", "-0"}:  # noqa: PLR2004
        parts = [f"{parts[0]}.{parts[1]}", parts[2]]
        notes.append(DECIMAL_POINT)
    if len(parts) != 2:  # noqa: PLR2004 – factor and offset
        return None
    scale, offset = (mended_number(part, notes) for part in parts)
    if scale is None or offset is None:
        return None
    expected += notes
    return scale, offset
