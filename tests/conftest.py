"""Fixtures that several folders of tests share."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from tests.samples import samples_of

if TYPE_CHECKING:
    from pathlib import Path

os.environ.setdefault("CANLENS_NO_CACHE", "1")  # tests leave the user's cache alone; those of the cache use their own

settings.register_profile("repeatable", derandomize=True, database=None)
settings.register_profile("campaign", derandomize=False, print_blob=True)
settings.load_profile("repeatable")  # a draw must not fail the suite; tests/campaign.py draws anew


@pytest.fixture(scope="session")
def python_can_samples() -> Path:
    """Return the folder of recordings that python-can 4.6.1 tests itself with."""
    return samples_of("python-can", "4.6.1") / "test" / "data"
