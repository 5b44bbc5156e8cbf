"""The layers: imports run one way, and no module stands outside them."""

import ast
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Lower layers first. A module may import from its own layer's package and from layers below it
# that are listed for it.
MAY_IMPORT: dict[str, set[str]] = {
    "bulkflow.errors": set(),
    "bulkflow.wording": set(),
    "bulkflow.whole_files": {"bulkflow.errors"},
    "bulkflow.reading": {"bulkflow.errors"},
    "bulkflow.stocks": {"bulkflow.errors"},
    "bulkflow.duty": {"bulkflow.errors", "bulkflow.rules"},
    "bulkflow.alcoholometry": {"bulkflow.errors"},
    "bulkflow.rules": {"bulkflow.errors", "bulkflow.reading", "bulkflow.alcoholometry"},
    "bulkflow.filling": {"bulkflow.errors", "bulkflow.alcoholometry", "bulkflow.rules"},
    "bulkflow.core": {"bulkflow.errors", "bulkflow.reading"},
    "bulkflow.scenario": {
        "bulkflow.wording",
        "bulkflow.errors",
        "bulkflow.reading",
        "bulkflow.rules",
        "bulkflow.filling",
        "bulkflow.duty",
        "bulkflow.alcoholometry",
    },
    "bulkflow.program": {
        "bulkflow.wording",
        "bulkflow.errors",
        "bulkflow.reading",
        "bulkflow.core",
        "bulkflow.scenario",
        "bulkflow.filling",
        "bulkflow.duty",
        "bulkflow.rules",
        "bulkflow.alcoholometry",
    },
    "bulkflow.records": {"bulkflow.wording", "bulkflow.errors", "bulkflow.reading"},
    "bulkflow.lots": {
        "bulkflow.wording",
        "bulkflow.errors",
        "bulkflow.reading",
        "bulkflow.records",
        "bulkflow.alcoholometry",
        "bulkflow.rules",
    },
}
ABOVE_PROGRAM = {
    "bulkflow.plan",
    "bulkflow.report",
    "bulkflow.futures",
    "bulkflow.explain",
    "bulkflow.movements",
    "bulkflow.loads",
    "bulkflow.account",
    "bulkflow.cli",
}
PANELS_MAY_IMPORT = {
    "bulkflow.errors",
    "bulkflow.wording",
    "bulkflow.reading",
    "bulkflow.whole_files",
    "bulkflow.alcoholometry",
    "bulkflow.records",
    "bulkflow.lots",
    "bulkflow.cli",  # of the command line only, the shared shell
}


def modules() -> list[tuple[str, Path]]:
    found = []
    for package in ("bulkflow", "panels"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            found.append((name, path))
    return found


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} line {node.lineno}: imports are absolute"
            names.add(node.module or "")
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


def layer_of(name: str) -> str:
    return ".".join(name.split(".")[:2])


def wrong_imports() -> list[str]:
    wrong = []
    for name, path in modules():
        own = layer_of(name)
        for imported in imports_of(path):
            top = imported.split(".")[0]
            if top not in {"bulkflow", "panels"} or imported in {"bulkflow", "panels"}:
                continue
            other = layer_of(imported)
            if other == own:
                continue
            if own.startswith("bulkflow"):
                bad = top == "panels" or (own in MAY_IMPORT and other not in MAY_IMPORT[own])
                bad = bad or (own in ABOVE_PROGRAM - {"bulkflow.cli"} and other == "bulkflow.cli")
            else:
                bad = top == "bulkflow" and other not in PANELS_MAY_IMPORT
                bad = bad or (other == "bulkflow.cli" and not own.startswith("panels.cli"))
            if bad:
                wrong.append(f"{name} imports {imported}")
    return sorted(set(wrong))


def test_imports_run_one_way() -> None:
    assert wrong_imports() == []


def test_every_layer_is_placed() -> None:
    placed = set(MAY_IMPORT) | ABOVE_PROGRAM | {"bulkflow"}
    layers = {layer_of(name) for name, _ in modules() if name.startswith("bulkflow")}
    assert layers <= placed


def test_the_core_knows_no_trade() -> None:
    trade = {"lpa", "spirit", "distil", "duty", "tanker", "bottler", "gin", "juniper"}
    said = []
    for path in sorted((ROOT / "bulkflow" / "core").rglob("*.py")):
        words = {word.strip(".,:;()'\"`").lower() for word in path.read_text("utf-8").split()}
        said += [f"{path.name}: {word}" for word in sorted(words & trade)]
    assert said == []


@pytest.mark.parametrize("library", ["pulp", "highspy"])
def test_a_solver_library_is_met_in_few_places(library: str) -> None:
    users = [
        name for name, path in modules() if library in {n.split(".")[0] for n in imports_of(path)}
    ]
    allowed = {"pulp": {"bulkflow.core.pulp_model"}}.get(library)
    if allowed is None:
        assert all(name.startswith("bulkflow.core.") for name in users)
    else:
        assert set(users) <= allowed


def test_top_level_holds_only_what_is_agreed() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {line.split("/")[0] for line in listed if line and not line.startswith(".")}
    assert top <= {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "bulkflow",
        "panels",
        "tests",
        "scenarios",
    }


def test_one_distribution_two_packages_two_commands() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert set(project["scripts"]) == {"bulkflow", "panels"}
    assert {"booth", "postgres", "cluster"} <= set(project["optional-dependencies"])
    assert "pulp>=3.3,<4" in project["dependencies"]


def test_modules_stay_small_enough_to_hold_in_the_head() -> None:
    long = [
        f"{name}: {lines} lines"
        for name, path in modules()
        if (lines := len(path.read_text("utf-8").splitlines())) > 620
    ]
    assert long == []
