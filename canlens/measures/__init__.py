"""Measures: Trace and Signal in, Evidence out – numbers with units, one folder a subject."""
