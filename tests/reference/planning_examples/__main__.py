"""Print ``name objective expected ok|FAIL`` for every check of the files; exit 1 on a failure."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.reference.planning_examples.runner import check_file


def main(arguments: list[str]) -> int:
    """Check the files named; return the exit code."""
    if not arguments:
        print("usage: python -m tests.reference.planning_examples FILE...", file=sys.stderr)
        return 2
    failed = False
    for argument in arguments:
        checks = 0
        for check in check_file(Path(argument)):
            print(check, flush=True)
            failed |= not check.ok
            checks += 1
        if not checks:
            print(f"{argument} holds nothing to check FAIL")
            failed = True
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
