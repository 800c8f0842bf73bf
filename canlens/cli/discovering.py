"""``canlens discover`` and ``canlens plan``: bits that follow the controls, and a first DBC and plan."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlens.cli.inputs import STANDARD_STREAM, read_log, require_beside, require_file, require_place
from canlens.cli.streams import (
    ChannelOption,
    HtmlOption,
    JsonOption,
    give_out,
    guarded,
    look_at_targets,
    replace_file,
    say_bytes,
    tell,
)
from canlens.errors import UsageError

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.discovery import Discovery
    from canlens.results.discover import DiscoverVerdict
    from canlens.writing import FoundBits


# What ``discover`` writes of the bits it found: a first DBC, a first plan; and a first plan from a bare DBC.


DbcOption = Annotated[
    str | None, typer.Option("--write-dbc", metavar="FILE", help="Write the bits that were named as a DBC.")
]
PlanOption = Annotated[
    str | None, typer.Option("--write-plan", metavar="FILE", help="Write a first plan that uses those bits.")
]


def look_at_found_files(*, write_dbc: str | None, write_plan: str | None, taken: list[str | None]) -> None:
    """Raise a sentence for files that may not be written as asked, before any work is done.

    Parameters
    ----------
    write_dbc, write_plan
        What the options name.
    taken
        Files that are read, and other files that are written; None for those that are not asked for.
    """
    used = [name for name in taken if name is not None]
    for option, target in (("--write-dbc", write_dbc), ("--write-plan", write_plan)):
        if target is None:
            continue
        if target == STANDARD_STREAM:
            raise UsageError(f"{option} -: expected the name of a file, since the plan points to the DBC by its name.")
        if any(os.path.realpath(target) == os.path.realpath(name) for name in used if name != STANDARD_STREAM):
            raise UsageError(f"{target}: is used for something else already. Name another file for {option}.")
        require_place(target, [])
        used.append(target)


def write_found_files(
    found: Discovery, database: Database | None, *, dbc: str | None, write_dbc: str | None, write_plan: str | None
) -> None:
    """Write what was asked for, and tell what was left out.

    Raises
    ------
    UsageError
        The plan would point to bits that are in no DBC.
    """
    from canlens.writing import found_bits, found_dbc_text

    if write_dbc is None and write_plan is None:
        return
    bits = found_bits(found.result, database)
    if not bits.controls:
        tell("Nothing was named, so there is nothing to put into a DBC or a plan.\n")
        return
    if write_plan is not None and bits.messages and write_dbc is None:
        raise UsageError(
            f"--write-plan {write_plan}: needs --write-dbc as well, since a plan names bits through a DBC."
        )
    if write_dbc is not None and bits.messages:
        replace_file(Path(write_dbc), found_dbc_text(bits).encode())
        tell(f"Wrote {write_dbc}.\n")
    elif write_dbc is not None:
        tell(f"Every bit that was named is in {dbc} already, so {write_dbc} was not written.\n")
    if write_plan is not None:
        _write_plan(found, bits, dbc=dbc, write_dbc=write_dbc, write_plan=write_plan)
    for sentence in bits.left_out:
        tell(f"{sentence}\n")


def _write_plan(found: Discovery, bits: FoundBits, *, dbc: str | None, write_dbc: str | None, write_plan: str) -> None:
    """Write the plan."""
    from canlens.writing import found_plan_text

    needed = [write_dbc] if bits.messages else []
    if any(control.is_known for control in bits.controls):
        needed.append(dbc)
    result = found.result
    channels = {row.candidates[0].channel for row in result.controls.values() if row.named and row.candidates}
    text = found_plan_text(
        bits,
        databases=[_from_plan(name, write_plan) for name in needed if name is not None],
        channel=channels.pop() if len(channels) == 1 else None,
        title=f"Found: {', '.join(control.name for control in bits.controls)}",
    )
    replace_file(Path(write_plan), text.encode())
    tell(f"Wrote {write_plan}.\n")


def _from_plan(name: str, plan: str) -> str:
    """Return the path of a file as seen from the folder of a plan, with slashes."""
    folder = Path(plan).resolve().parent
    try:
        return Path(os.path.relpath(Path(name).resolve(), folder)).as_posix()
    except ValueError:  # another drive
        return Path(name).resolve().as_posix()


@guarded
def first_plan(
    dbc: Annotated[str, typer.Argument(metavar="DBC", help="Any database: DBC, KCD, SYM or ARXML.")],
    node: Annotated[
        str | None, typer.Option(metavar="NAME", help="The node of the accessory controller: its signals are outputs.")
    ] = None,
    write_plan: Annotated[
        str | None, typer.Option("--write-plan", metavar="FILE", help="Where to write it; else standard output.")
    ] = None,
) -> int:
    """Write a first plan for a database, to be finished by hand.

    Exit code: 0 done, 2 wrong usage or a database that cannot be read.
    """
    from canlens import read_database
    from canlens.writing import bare_plan_text

    if dbc == STANDARD_STREAM:
        raise UsageError("-: the database must be a file, since the plan names it.")
    require_file(dbc, what="a database")
    to_file = None if write_plan in (None, STANDARD_STREAM) else write_plan
    if to_file is not None:
        require_place(to_file, [dbc])
    database = read_database(dbc)
    senders = [*database.nodes, *(sender for message in database.messages for sender in message.senders)]
    if node is not None and node not in senders:
        raise UsageError(
            f"--node {node}: expected a node of {dbc}: {', '.join(dict.fromkeys(senders)) or 'it has none'}."
        )
    path = _from_plan(dbc, to_file or "plan.toml")
    text = bare_plan_text(database, path=path, node=node, title=Path(dbc).stem)
    if to_file is None:
        say_bytes(text.encode("utf-8", "replace"))
    else:
        replace_file(Path(to_file), text.encode("utf-8", "replace"))
        tell(f"Wrote {to_file}.\n")
    return 0


# ``canlens discover``: which bits of a bus follow the controls that a person operated.


EXIT_CODES: dict[DiscoverVerdict, int] = {"named": 0, "not-named": 3}


@guarded
def discover_bits(
    log: Annotated[str, typer.Argument(metavar="LOG", help="One recording (- reads standard input).")],
    marks: Annotated[
        str, typer.Option(metavar="FILE", help="When each control was operated: CSV time_s,label[,until_s].")
    ],
    dbc: Annotated[
        str | None, typer.Option(metavar="FILE", help="A database of what is known: names for what is found.")
    ] = None,
    channel: ChannelOption = None,
    json: JsonOption = None,
    html: HtmlOption = None,
    write_dbc: DbcOption = None,
    write_plan: PlanOption = None,
) -> int:
    """Find the bits that follow each marked control, with the chance of being wrong.

    Exit code: 0 every marked control named, 3 one not named, 2 wrong usage or an input that cannot be read.
    """
    from canlens import discover, read_database, read_marks

    require_file(log, what="a recording")
    require_beside(marks, what="the marks")
    require_beside(dbc, what="a database")
    look_at_targets(json=json, html=html, sources=[log, marks, dbc])
    look_at_found_files(write_dbc=write_dbc, write_plan=write_plan, taken=[log, marks, dbc, json, html])
    database = read_database(dbc) if dbc is not None else None
    found = discover(read_log(log), read_marks(marks), database, channel=channel)

    def as_page() -> str:
        from canlens.reports.page.discovery_page import discovery_page

        return discovery_page(found.result)

    def as_text(encoding: str) -> str:
        from canlens.reports.discovery_text import discovery_text

        return discovery_text(found.result, encoding=encoding)

    give_out(json=json, html=html, as_json=found.to_dict, as_page=as_page, as_text=as_text)

    write_found_files(found, database, dbc=dbc, write_dbc=write_dbc, write_plan=write_plan)
    return EXIT_CODES[found.verdict]
