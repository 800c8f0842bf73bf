"""Fixtures that several folders of tests share."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from tests.samples import samples_of

if TYPE_CHECKING:
    from pathlib import Path

os.environ.setdefault("CANLENS_NO_CACHE", "1")  # tests leave the user's cache alone; those of the cache use their own


@pytest.fixture(scope="session")
def python_can_samples() -> Path:
    """Return the folder of recordings that python-can 4.6.1 tests itself with."""
    return samples_of("python-can", "4.6.1") / "test" / "data"
