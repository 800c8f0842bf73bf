"""Words of a DBC: the keywords of its entries, and names as the format allows them."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

KEYWORDS: Final = (
    *("CAT_", "CAT_DEF_", "FILTER", "SGTYPE_", "SGTYPE_VAL_", "SIG_TYPE_REF_", "SIGTYPE_VALTYPE_"),
    *("BA_", "BA_DEF_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_DEF_REL_", "BA_DEF_SGTYPE_", "BA_REL_", "BA_SGTYPE_"),
    *("BO_", "BO_TX_BU_", "BS_", "BU_", "CM_", "ENVVAR_DATA_", "EV_", "EV_DATA_", "NS_", "NS_DESC_"),
    *("SG_", "SG_MUL_VAL_", "SIG_GROUP_", "SIG_VALTYPE_", "VAL_", "VAL_TABLE_", "VERSION"),
)
"""Words with which an entry begins (open description of the format)."""
RESERVED: Final = frozenset((*KEYWORDS, "BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_"))
"""Words that the parser takes for no name."""
NO_NODE: Final = "Vector__XXX"
"""What a DBC writes in the place of a node where there is none (open description of the format)."""
NO_MESSAGE: Final = "VECTOR__INDEPENDENT_SIG_MSG"
"""Under this name stand signals that belong to no message (open description of the format)."""
EXPECTED_NAME: Final = "a name of letters, digits and _ that does not begin with a digit"
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
