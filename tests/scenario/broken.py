"""Breaks the test workspace by edits, and returns what the reader says."""

import shutil
from pathlib import Path

import pytest

from bulkflow.errors import InputError
from bulkflow.scenario import read_workspace

COAST = Path(__file__).parent / "workspaces" / "coast"

Edit = tuple[str, str, str]
"""File, text in it (once), what takes its place. An empty text stands for the whole file."""


def edited(folder: Path, *edits: Edit) -> Path:
    workspace = folder / "coast"
    shutil.copytree(COAST, workspace)
    for name, old, new in edits:
        path = workspace / name
        text = path.read_text("utf-8") if path.exists() else ""
        if old:
            assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
            text = text.replace(old, new)
        else:
            text = new
        path.write_text(text, "utf-8")
    return workspace


def said(workspace: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_workspace(workspace)
    return str(caught.value).split("\n")
