"""Customer sheet: one printed page that says what was fitted, what it does, and what was not tested."""

from canlens.reports.sheet.customer_sheet import SIGN_OFF, customer_sheet

__all__ = ["SIGN_OFF", "customer_sheet"]
