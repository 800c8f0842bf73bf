"""The formats of recordings, one file each.

To add one, write its module and put its reader into :data:`ALL`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.readers.formats import asc, blf, candump, candump_screen, csv, empty, mf4, sqlite, trc

if TYPE_CHECKING:
    from canlens.readers.opening import Reader

ALL: tuple[Reader, ...] = (
    asc.READER,
    blf.READER,
    candump.READER,
    candump_screen.READER,
    csv.READER,
    empty.READER,
    mf4.READER,
    sqlite.READER,
    trc.READER,
)
"""In the order of the table of formats."""
