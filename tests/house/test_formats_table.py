"""The README's table of formats is the registry's; ``python -m tests.house.test_formats_table`` writes it anew."""

from __future__ import annotations

from pathlib import Path

from canlens import readers

README = Path(__file__).parents[2] / "README.md"
BEGIN, END = "<!-- formats -->\n", "<!-- end of formats -->"


def table() -> str:
    rows = ["| Format | Kept | Has no place for |", "|---|---|---|"]
    rows += [f"| {reader.name} | {reader.keeps} | {reader.cannot_hold} |" for reader in readers.ALL]
    return "\n".join(rows) + "\n"


def test_the_table_of_formats_is_that_of_the_registry() -> None:
    text = README.read_text("utf-8")
    assert text.partition(BEGIN)[2].partition(END)[0] == table()


if __name__ == "__main__":
    before, _, rest = README.read_text("utf-8").partition(BEGIN)
    README.write_text(before + BEGIN + table() + END + rest.partition(END)[2], "utf-8")
