"""The documents for developers speak of files that are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
INVENTED = {"test_<name>.py", "<name>.py"}
"""Names of files that a reader of the document is to make."""


def test_every_file_that_is_named_for_developers_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    files = [path.relative_to(ROOT).as_posix() for top in ("canlens", "tests") for path in (ROOT / top).rglob("*.py")]
    named = {word for word in re.findall(r"`([\w/.<>-]+\.py)`", text) if Path(word).name not in INVENTED}
    assert len(named) > 30
    assert [word for word in sorted(named) if not any(f"/{file}".endswith(f"/{word}") for file in files)] == []
