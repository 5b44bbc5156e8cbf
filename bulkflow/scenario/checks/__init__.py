"""Checks of sense across records: what each says may be right, and together they cannot be."""

from __future__ import annotations

from bulkflow.scenario.draft import Draft

__all__ = ["check_sense"]


def check_sense(draft: Draft) -> None:
    """Note every fault of sense in a draft."""
