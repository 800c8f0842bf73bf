"""The entries of a DBC as they should be written: one pattern a kind, and what is said where one is not met."""

from __future__ import annotations

import re
from typing import Final

IGNORED_TABLES: Final = ("CAT_", "CAT_DEF_", "FILTER", "SGTYPE_", "SGTYPE_VAL_", "SIG_TYPE_REF_", "SIGTYPE_VALTYPE_")
"""Kinds of entries of which nothing is used."""
KEYWORDS: Final = (
    *IGNORED_TABLES,
    *("BA_", "BA_DEF_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_DEF_REL_", "BA_DEF_SGTYPE_", "BA_REL_", "BA_SGTYPE_"),
    *("BO_", "BO_TX_BU_", "BS_", "BU_", "CM_", "ENVVAR_DATA_", "EV_", "EV_DATA_", "NS_", "NS_DESC_"),
    *("SG_", "SG_MUL_VAL_", "SIG_GROUP_", "SIG_VALTYPE_", "VAL_", "VAL_TABLE_", "VERSION"),
)
"""Words with which an entry begins (open description of the format)."""
RESERVED: Final = frozenset((*KEYWORDS, "BU_BO_REL_", "BU_EV_REL_", "BU_SG_REL_"))
"""Words that the parser takes for no name."""
LINE_KINDS: Final = frozenset({"BO_", "SG_", "BU_", "BS_", "VERSION"})
"""Entries that end with their line; all others but ``NS_`` end with a semicolon."""

NUMBER: Final = r"[-+]?\d++(?:\.\d*+)?(?:[eE][-+]?\d++)?"
WHOLE: Final = r"[-+]?\d+"
STRING: Final = r'"(?:[^"\\]|\\"|\\)*+"'
NAME: Final = r"(?!(?:" + "|".join(sorted(RESERVED, key=len, reverse=True)) + r")\b)[A-Za-z_]\w*+"
PAIR: Final = rf"({WHOLE})\s*({STRING})"

_LOOSE = rf"(?:[^;\"]|{STRING})*;"
_VALUE = rf"(?P<value>{NUMBER}|{STRING})"
_PATTERNS: dict[str, str] = {
    "VERSION": rf"VERSION\s*{STRING}",
    "NS_": r"NS_\s*:?(?:\s+[A-Za-z_]\w*(?!\w|\s*[:\"\d]))*",
    "BS_": r"BS_\s*:",
    "BU_": rf"BU_[ \t]*:(?P<names>(?:[ \t]*{NAME})*(?:\s*\n[ \t]*{NAME}(?:[ \t]+{NAME})*[ \t]*(?=\n|\Z))*)",
    "BO_": rf"BO_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s*:\s*(?P<length>0|[1-9]\d*)\s*(?P<sender>{NAME})",
    "SG_": (
        rf"SG_\s+(?P<name>{NAME})(?:\s+(?P<mark>m\d+M?|M))?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*"
        rf"(?P<order>[01])\s*(?P<sign>[-+])\s*\(\s*(?P<scale>{NUMBER})\s*,\s*(?P<offset>{NUMBER})\s*\)\s*"
        rf"\[\s*(?P<minimum>{NUMBER})\s*\|\s*(?P<maximum>{NUMBER})\s*\]\s*(?P<unit>{STRING})\s*"
        rf"(?P<receivers>{NAME}(?:\s*,\s*{NAME})*)"
    ),
    "VAL_": rf"VAL_\s+(?:(?P<number>\d+)\s+)?(?P<name>{NAME})(?P<pairs>(?:\s*{WHOLE}\s*{STRING})*)\s*;",
    "VAL_TABLE_": rf"VAL_TABLE_\s+(?P<name>{NAME})(?P<pairs>(?:\s*{WHOLE}\s*{STRING})*)\s*;",
    "CM_": (
        r"CM_\s*(?:(?P<object>SG_)\s+(?P<number>\d+)\s+(?P<name>[A-Za-z_]\w*+)|(?P<message>BO_)\s+(?P<message_number>\d+)"
        rf"|EV_\s+[A-Za-z_]\w*+|BU_\s+[A-Za-z_]\w*+)?\s*{STRING}\s*;"
    ),
    "BA_DEF_": (
        rf"BA_DEF_\s*(?P<object>SG_|BO_|EV_|BU_)?\s*(?P<attribute>{STRING})\s*(?P<type>[A-Z]+)\s*"
        rf"(?P<limits>{STRING}(?:\s*,\s*{STRING})*|(?:{NUMBER}(?![\w.])\s*)*)\s*;"
    ),
    "BA_DEF_DEF_": rf"BA_DEF_DEF_\s*(?P<attribute>{STRING})\s*{_VALUE}\s*;",
    "BA_": (
        rf"BA_\s*(?P<attribute>{STRING})\s*(?:(?P<object>BO_)\s+(?P<number>\d+)|SG_\s+(?P<signal_number>\d+)\s+"
        rf"(?P<name>[A-Za-z_]\w*+)|BU_\s+(?P<node>[A-Za-z_]\w*+)|EV_\s+[A-Za-z_]\w*+)?\s*{_VALUE}\s*;"
    ),
    "SIG_GROUP_": r"SIG_GROUP_\s+\d+\s+\w+\s+\d+\s*:(?:\s*[A-Za-z_]\w*+)*\s*;",
    "SIG_VALTYPE_": rf"SIG_VALTYPE_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s*:\s*(?P<type>[0-3])\s*;",
    "SG_MUL_VAL_": (
        rf"SG_MUL_VAL_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s+(?P<multiplexer>{NAME})\s+"
        r"(?P<ranges>\d+\s*-\d+(?:\s*,\s*\d+\s*-\d+)*)\s*;"
    ),
    "BO_TX_BU_": rf"BO_TX_BU_\s+(?P<number>\d+)\s*:\s*(?P<names>{NAME}(?:\s*,\s*{NAME})*)\s*;",
    "EV_": (
        rf"EV_\s+(?P<name>[A-Za-z_]\w*+)\s*:\s*\d+\s*\[\s*{NUMBER}\s*\|\s*{NUMBER}\s*\]\s*{STRING}\s*{NUMBER}\s+\d+\s+\w+\s+"
        r"\w+(?:\s*,\s*\w+)*\s*;"
    ),
    "ENVVAR_DATA_": r"ENVVAR_DATA_\s+\w+\s*:\s*\d+\s*;",
    "BA_DEF_REL_": rf"BA_DEF_REL_\s*(?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)\s*{STRING}\s*\w+{_LOOSE}",
    "BA_DEF_DEF_REL_": rf"BA_DEF_DEF_REL_\s*{STRING}\s*(?:{NUMBER}|{STRING})\s*;",
    "BA_REL_": rf"BA_REL_\s*{STRING}\s*(?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)\s+\w+[^;\"]*(?:{STRING})?\s*;",
}
PATTERNS: Final = {kind: re.compile(pattern, re.ASCII) for kind, pattern in _PATTERNS.items()}
"""Kind -> how an entry of it is written."""
LOOSE: Final = re.compile(rf"[A-Z_]+\b{_LOOSE}", re.ASCII)
"""An entry of a kind of which nothing is used."""

SHAPES: Final = {
    "BO_": "BO_ NUMBER NAME: LENGTH SENDER",
    "SG_": 'SG_ NAME : START|LENGTH@ORDER SIGN (FACTOR,OFFSET) [MIN|MAX] "UNIT" RECEIVER',
    "BU_": "BU_: NAME NAME ...",
    "BS_": "BS_: without numbers",
    "VERSION": 'VERSION "TEXT"',
    "NS_": "NS_ : and a list of words",
    "VAL_": 'VAL_ NUMBER SIGNAL VALUE "TEXT" ... ;',
    "VAL_TABLE_": 'VAL_TABLE_ NAME VALUE "TEXT" ... ;',
    "CM_": 'CM_, what it is about (BO_ NUMBER, SG_ NUMBER SIGNAL, BU_ NODE), "TEXT" ;',
    "BA_DEF_": 'BA_DEF_ OBJECT "ATTRIBUTE" TYPE LIMITS ;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "ATTRIBUTE" VALUE ;',
    "BA_": 'BA_ "ATTRIBUTE" OBJECT VALUE ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ NUMBER SIGNAL : TYPE ;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ NUMBER SIGNAL MULTIPLEXER FIRST-LAST, ... ;",
    "BO_TX_BU_": "BO_TX_BU_ NUMBER : NODE, NODE ;",
    "SIG_GROUP_": "SIG_GROUP_ NUMBER NAME REPETITIONS : SIGNAL SIGNAL ... ;",
    "EV_": 'EV_ NAME: TYPE [MIN|MAX] "UNIT" INITIAL ID ACCESS NODE ;',
}
"""Kind -> its form in words, for a person who mends a line."""


def shape(kind: str) -> str:
    """Return the form of an entry in words; that of any entry where the kind is not known."""
    return SHAPES.get(kind, f"{kind} ... ;" if kind else "an entry such as BO_, SG_, CM_ or VAL_")
