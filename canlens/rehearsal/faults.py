"""Faults: everything that can be built into an install, by the names of the catalogue of causes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.rehearsal.bus_faults import BUS_FAULTS
from canlens.rehearsal.connection_faults import CONNECTION_FAULTS
from canlens.rehearsal.output_faults import OUTPUT_FAULTS

if TYPE_CHECKING:
    from canlens.rehearsal.fault import Fault

FAULTS: dict[str, Fault] = {fault.cause: fault for fault in (*CONNECTION_FAULTS, *BUS_FAULTS, *OUTPUT_FAULTS)}
"""Every fault that can be rehearsed, by its name."""
