"""Measures: Trace and Signal in, Evidence out – numbers with units, one file a quantity."""
