"""The command line: arguments in, exit code out."""

from __future__ import annotations

import sys


def main() -> None:
    """Run ``canlens`` with the arguments of the process and leave with its exit code."""
    try:
        from canlens.cli.commands import run

        run()
    except KeyboardInterrupt:  # before a command was reached; behind that point the command sees it
        sys.exit(130)
