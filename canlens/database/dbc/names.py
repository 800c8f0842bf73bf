"""Names as the format allows them, for those that a file writes otherwise."""

from __future__ import annotations

import re
import unicodedata

from canlens.database.dbc.grammar import RESERVED

EXPECTED_NAME = "a name of letters, digits and _ that does not begin with a digit"
_ODD = re.compile(r"[^A-Za-z0-9_]+")


def legal_name(written: str) -> str:
    """Return the legal name nearest to what is written; empty where nothing of it can stand in a name.

    Examples
    --------
    >>> legal_name("Left Turn"), legal_name("4_wheel"), legal_name("Ölstand"), legal_name("FILTER")
    ('Left_Turn', '_4_wheel', 'Olstand', 'FILTER_')
    """
    plain = unicodedata.normalize("NFKD", written).encode("ascii", "ignore").decode()
    name = _ODD.sub("_", plain.strip())
    if not name or (not name.strip("_") and name != written):
        return ""
    if name[0].isdigit():
        name = f"_{name}"
    return f"{name}_" if name in RESERVED else name
