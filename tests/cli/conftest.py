"""A tiny workspace to plan."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.plan.by_hand import TWO_SITES


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    """A copy of the tiny workspace, without a register."""
    folder = tmp_path / "two_sites"
    shutil.copytree(TWO_SITES, folder, ignore=shutil.ignore_patterns("*.sqlite*"))
    return folder
