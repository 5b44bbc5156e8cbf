"""``bulkflow loads sheet`` and ``arrival``: the papers that go with a load."""

from __future__ import annotations

import typer

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add these commands to a group."""
