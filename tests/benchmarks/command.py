"""What the command lines of the benches share: the size of an instance, and how to print."""

from __future__ import annotations

import argparse
import json
from typing import Any

__all__ = ["instance_parser", "show"]


def instance_parser(module: str, description: str | None) -> argparse.ArgumentParser:
    """Return a parser with the options that name an instance, and ``--json``."""
    parser = argparse.ArgumentParser(
        prog=f"python -m tests.benchmarks.{module}", description=description
    )
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--bottlers", type=int, default=12)
    parser.add_argument("--liquids", type=int, default=4)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--full", action="store_true", help="every feature of the trade")
    parser.add_argument("--json", action="store_true", help="one JSON document on one line")
    return parser


def show(measured: dict[str, Any], *, as_json: bool) -> None:
    """Print the figures, a line each or as one document."""
    if as_json:
        print(json.dumps(measured))
        return
    width = max(map(len, measured))
    for name, value in measured.items():
        print(f"{name:{width}}  {value}")
