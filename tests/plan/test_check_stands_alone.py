"""The check shares nothing with the builder: it may import the form of things, and pure sums."""

from __future__ import annotations

import ast
from pathlib import Path

PLAN = Path(__file__).resolve().parents[2] / "bulkflow" / "plan"
MAY_IMPORT = {
    "bulkflow.errors",
    "bulkflow.scenario.model",
    "bulkflow.program.answer",
    "bulkflow.alcoholometry",
    "bulkflow.filling",
    "bulkflow.duty",
}


def imported(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
        elif isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
    return {name for name in found if name.startswith("bulkflow")}


def test_the_check_imports_nothing_of_the_builder():
    files = [PLAN / "check.py", *(PLAN / "checks").glob("*.py")]
    assert len(files) > 10
    for file in files:
        own = {name for name in imported(file) if name.startswith("bulkflow.plan.checks")}
        assert imported(file) - own <= MAY_IMPORT, file.name


def test_every_numbered_equation_is_checked():
    readme = (PLAN.parent / "program" / "README.md").read_text("utf-8")
    numbers = {
        int(line.split(".")[0]) for line in readme.splitlines() if line.split(".")[0].isdigit()
    }
    assert numbers == set(range(1, len(numbers) + 1))
    from tests.plan import everything

    checked = {one for check in everything.result().report.checks for one in check.equations}
    assert checked == numbers
