"""Find the commands that README.md shows, so that tests and CI run them as printed.

``python -m tests.readme_commands test`` prints the command that sets up and runs the tests;
``python -m tests.readme_commands plan`` the one that sets up and plans the demo.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parent.parent / "README.md"


def blocks() -> list[str]:
    """Return every fenced ``bash`` block of the README, in order."""
    return re.findall(r"^```bash\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)


def commands() -> list[str]:
    """Return every single command line shown, in order (a trailing backslash joins lines)."""
    text = "\n".join(blocks()).replace("\\\n", " ")
    return [line.strip() for line in text.split("\n") if line.strip() and not line.startswith("#")]


def named(purpose: str) -> str:
    """Return the set-up command for ``plan`` (the main job) or ``test``."""
    found = [c for c in commands() if c.startswith("python3 -m venv")]
    matching = [c for c in found if ("pytest" in c) == (purpose == "test")]
    if len(matching) != 1:
        raise SystemExit(
            f"README.md shows {len(matching)} set-up commands for '{purpose}'; one is right"
        )
    return matching[0]


if __name__ == "__main__":
    print(named(sys.argv[1]))
