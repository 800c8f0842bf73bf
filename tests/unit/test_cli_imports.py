from __future__ import annotations

import subprocess
import sys

import pytest

import canlens

HEAVY = ("numpy", "pandas", "can", "cantools", "pydantic", "rich", "jinja2", "plotly")


@pytest.mark.parametrize("argument", ["--help", "--version"])
def test_help_and_version_load_no_heavy_library(argument: str) -> None:
    program = (
        "import sys\n"
        "from canlens.cli import main\n"
        f"sys.argv = ['canlens', {argument!r}]\n"
        "try:\n"
        "    main()\n"
        "except SystemExit:\n"
        f"    print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"


def test_every_public_name_is_told_by_dir() -> None:
    assert set(canlens.__all__) <= set(dir(canlens))


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="module 'canlens' has no attribute 'transmit'"):
        canlens.transmit  # noqa: B018
