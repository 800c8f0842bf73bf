"""Errors: error records in order and in words, the frames they broke, and whom they point at."""
