"""Draw the property tests anew, with seeds nobody has used: ``python tests/campaign.py [ROUNDS] [PYTEST ARGUMENTS]``.

The suite draws the same examples each time, so that it fails for a change of the code and never for a draw. Here every
round (20, if not said) draws others. Its seed is printed: ``pytest tests --hypothesis-profile=campaign
--hypothesis-seed=SEED`` draws them again. What fails becomes a test with the example written out.
"""

from __future__ import annotations

import secrets
import subprocess
import sys
from pathlib import Path

TESTS = Path(__file__).parent
ROUNDS = 20


def main(arguments: list[str]) -> int:
    """Run the rounds; return how many of them failed."""
    rounds = int(arguments.pop(0)) if arguments and arguments[0].isdecimal() else ROUNDS
    failed = 0
    for number in range(1, rounds + 1):
        seed = secrets.randbits(32)
        print(f"round {number} of {rounds}, seed {seed}", flush=True)
        options = ["--hypothesis-profile=campaign", f"--hypothesis-seed={seed}", "-q", "-m", "hypothesis"]
        command = [sys.executable, "-m", "pytest", *options, *(arguments or [str(TESTS)])]
        failed += subprocess.run(command, cwd=TESTS.parent, check=False).returncode != 0
    print(f"{failed} of {rounds} rounds failed")
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
