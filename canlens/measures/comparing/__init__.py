"""Comparing: two recordings, each cut into blocks, and what differs between them beyond chance."""
