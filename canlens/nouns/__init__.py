"""Nouns: what was measured, as frozen values that travel from measures to checks, causes and reports."""
