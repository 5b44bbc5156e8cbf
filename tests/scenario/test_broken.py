"""Broken and hostile workspaces: each is refused with exactly these words."""

from pathlib import Path

import pytest
import yaml

from tests.scenario.broken import edited, said

FOLDER = Path(__file__).parent / "broken_workspaces"


def cases() -> list:
    found = []
    for path in sorted(FOLDER.glob("*.yaml")):
        for name, case in yaml.safe_load(path.read_text("utf-8")).items():
            found.append(pytest.param(case, id=f"{path.stem}-{name}"))
    return found


@pytest.mark.parametrize("case", cases())
def test_says(case: dict, tmp_path: Path) -> None:
    edits = [(edit["file"], edit.get("replace", ""), edit["by"]) for edit in case["edits"]]
    assert said(edited(tmp_path, *edits)) == case["says"]


def test_there_are_enough_of_them() -> None:
    assert len(cases()) >= 150
