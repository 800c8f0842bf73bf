"""Discovering: what was done to a control, and which bits of the bus went along with it beyond chance."""
