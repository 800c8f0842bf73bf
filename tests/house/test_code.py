"""The whole tree keeps its rules: style, types, directions, sizes."""

from __future__ import annotations

import ast
import collections
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted((ROOT / "canlens").rglob("*.py"))


def run(*command: str) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"


def test_the_code_passes_the_linter() -> None:
    run("ruff", "check", "--no-cache", ".")


def test_the_code_is_formatted() -> None:
    run("ruff", "format", "--no-cache", "--check", ".")


def test_the_types_hold() -> None:
    run("mypy", "--no-error-summary")


def test_imports_point_one_way() -> None:
    done = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_modules_stay_small(module: Path) -> None:
    assert len(module.read_text("utf-8").splitlines()) <= 600, "split what has two purposes"


def test_no_module_bears_a_name_without_an_edge_or_of_a_public_function() -> None:
    import canlens  # noqa: PLC0415

    drawers = {"utils", "common", "helpers", "misc"}
    assert not [str(path) for path in MODULES if path.stem in drawers]
    assert not [str(path) for path in MODULES if path.stem in canlens.__all__ and path.parent == ROOT / "canlens"]


def test_nothing_in_the_program_can_send_a_frame() -> None:
    """No socket, no bus interface, no send: python-can is used for its file readers alone."""
    forbidden = ("can.interface", "can.Bus", ".send(", "import socket", "Notifier", "BusABC")
    found = [
        f"{path.relative_to(ROOT)}: {word}" for path in MODULES for word in forbidden if word in path.read_text("utf-8")
    ]
    assert not found


SHARED_STEMS = {
    "__init__": "of every package",
    "bus": "its nouns, and the causes that lie on it",
    "errors": "causes of errors on the bus; what the program raises stands at the top",
    "loads": "what outputs draw: measured, and the causes that lie there",
    "tracks": "as nouns, and measured",
    "messages": "as nouns, and measured",
    "definitions": "as nouns, and measured",
    "intervals": "measured, and drawn",
    "nouns": "those of a database, and those of a plan",
}
"""Files that bear one name because they hold one subject, in the rooms of two steps."""


def test_a_name_of_a_class_or_a_file_has_one_meaning() -> None:
    stems = collections.Counter(module.stem for module in MODULES)
    assert {stem for stem, count in stems.items() if count > 1} <= set(SHARED_STEMS)
    classes = collections.Counter(
        node.name
        for module in MODULES
        for node in ast.walk(ast.parse(module.read_text("utf-8")))
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert [name for name, count in classes.items() if count > 1] == []
