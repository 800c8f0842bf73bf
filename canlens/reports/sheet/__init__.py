"""Paper of a hand-over: one page for the customer, and the workshop's record."""

from __future__ import annotations

from canlens.reports.sheet.customer_sheet import SIGN_OFF, customer_sheet
from canlens.reports.sheet.job_record import job_record

__all__ = ["SIGN_OFF", "customer_sheet", "job_record"]
