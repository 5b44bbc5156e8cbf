"""The layers: imports run one way, and no module stands outside them."""

import ast
import functools
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Lower layers first; each may import what is named beside it and nothing else of ours. A package
# that is not here is not drawn: draw it here and in DEVELOPERS.md first.
CALCULATION = {"alcoholometry", "rules", "filling", "duty", "statistics", "laboratory"}
BASE = {"errors", "wording", "whole_files", "reading", "paper"}
TRADE = BASE | CALCULATION | {"core", "scenario"}
MAY_IMPORT: dict[str, set[str]] = {
    f"bulkflow.{name}": {f"bulkflow.{one}" for one in allowed}
    for name, allowed in {
        "errors": set(),
        "wording": set(),
        "whole_files": {"errors"},
        "paper": set(),
        "reading": {"errors", "wording"},
        "stocks": {"errors"},
        "alcoholometry": {"errors"},
        "rules": {"errors", "reading", "alcoholometry"},
        "statistics": {"errors"},
        "laboratory": {"errors", "alcoholometry", "rules", "statistics"},
        "filling": {"errors", "alcoholometry", "rules"},
        "duty": {"errors", "rules"},
        "core": {"errors", "reading"},
        "scenario": BASE | CALCULATION,
        "begin": BASE | {"scenario"},
        "program": TRADE,
        "web": {"errors", "whole_files", "paper"},
        "records": BASE,
        "lots": BASE | CALCULATION | {"records"},
        "plan": TRADE | {"program", "lots", "stocks"},
        "loads": TRADE | {"program", "plan", "records", "lots"},
        "report": TRADE | {"program", "plan", "records", "lots", "loads"},
        "account": TRADE | {"program", "plan", "records", "lots", "loads", "report"},
        "due": TRADE | {"program", "plan", "records", "lots", "loads", "account"},
        "what_if": TRADE | {"program", "plan"},
        "library": TRADE | {"plan", "report", "account", "what_if"},
        "cli": TRADE
        | {"plan", "records", "lots", "loads", "report", "account", "due", "what_if", "begin"},
    }.items()
} | {"bulkflow": {"bulkflow.library"}}
FROM_BULKFLOW = {
    f"bulkflow.{one}" for one in (*BASE, "alcoholometry", "rules", "statistics", "records", "lots")
}
# Methods keep no records and read no files: the errors and methods that both packages share.
SHARED_METHODS = {"bulkflow.errors", "bulkflow.statistics"}
PANELS_MAY_IMPORT: dict[str, set[str]] = {
    f"panels.{name}": {f"panels.{one}" for one in allowed}
    | (FROM_BULKFLOW if keeps else SHARED_METHODS)
    for name, (keeps, allowed) in {
        "errors": (False, set()),
        "methods": (False, {"errors"}),
        "serving": (False, {"errors"}),
        "assessors": (True, {"errors", "methods", "records"}),
        "records": (True, {"errors"}),
        "preparation": (True, {"errors", "methods", "records"}),
        "release": (True, {"errors", "methods", "records"}),
        "sittings": (
            True,
            {"errors", "methods", "records", "preparation", "release", "serving", "assessors"},
        ),
        "uses": (
            True,
            {"errors", "methods", "records", "preparation", "release", "assessors", "sittings"},
        ),
        "library": (
            True,
            {"errors", "methods", "records", "release", "assessors", "sittings"},
        ),
        "booth": (True, {"errors", "records", "preparation", "sittings"}),
        "cli": (
            True,
            {"errors", "methods", "records", "preparation", "release", "serving", "assessors",
             "sittings", "uses", "booth"},
        ),
    }.items()
} | {"panels": {"panels.library"}}  # fmt: skip
# Of the command line only, the shared shell; of pages, what serves them.
PANELS_MAY_IMPORT["panels.cli"] |= {"bulkflow.cli", "bulkflow.web"}
PANELS_MAY_IMPORT["panels.booth"].add("bulkflow.web")
DRAWN = MAY_IMPORT | PANELS_MAY_IMPORT
# What is installed only if asked for, and the code that needs it.
EXTRAS = {
    "postgres": ("bulkflow/records/engine.py", "postgresql"),
    "booth": ("bulkflow/web/serving.py", "uvicorn"),
    "signed": ("bulkflow/records/signing.py", "cryptography"),
}


@functools.cache
def modules() -> list[tuple[str, Path]]:
    found = []
    for package in ("bulkflow", "panels"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            found.append((name, path))
    return found


@functools.cache
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
            other = layer_of(imported)
            ours = other in DRAWN and other not in {"bulkflow", "panels", own}
            if ours and other not in DRAWN.get(own, set()):
                wrong.append(f"{name} imports {imported}")
    return sorted(set(wrong))


def test_imports_run_one_way() -> None:
    assert wrong_imports() == []


def test_every_package_is_drawn_and_every_one_drawn_is_there() -> None:
    there = {layer_of(name) for name, _ in modules()}
    assert there == set(DRAWN)


def test_the_drawing_has_no_circle() -> None:
    below: set[str] = set()
    left = {name: set(allowed) for name, allowed in DRAWN.items()}
    while left:
        free = {name for name, allowed in left.items() if allowed <= below}
        assert free, f"a circle among {sorted(left)}"
        below |= free
        left = {name: allowed for name, allowed in left.items() if name not in free}


def test_the_guide_names_every_package() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    for name in DRAWN:
        top, _, inner = name.partition(".")
        if inner and inner != "errors" and top == "bulkflow":
            assert (
                f"`bulkflow/{inner}" in guide or f"`{inner}/" in guide or f"`{inner}.py" in guide
            ), name


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


@pytest.mark.parametrize("library", ["starlette", "uvicorn"])
def test_a_server_is_imported_by_pages_alone(library: str) -> None:
    """The plain install has none: planning and panels work without it."""
    users = {
        layer_of(name)
        for name, path in modules()
        if library in {n.split(".")[0] for n in imports_of(path)}
    }
    assert users <= {"bulkflow.web", "bulkflow.live", "panels.booth"}


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
    extras = set(project["optional-dependencies"]) - {"dev"}
    assert extras == set(EXTRAS)
    for file, word in EXTRAS.values():
        assert word in (ROOT / file).read_text("utf-8")
    assert "pulp>=3.3,<4" in project["dependencies"]


def test_modules_stay_small_enough_to_hold_in_the_head() -> None:
    long = [
        f"{name}: {lines} lines"
        for name, path in modules()
        if (lines := len(path.read_text("utf-8").splitlines())) > 620
    ]
    assert long == []
