"""Blocks of options: on the command line their options, in the command one value."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pytest
import typer

from bulkflow.cli.option_blocks import WritingOptions, spread
from bulkflow.cli.shell import ExitCode, make_app, run

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """Two options that go together, one of them needed."""

    litres: Annotated[float, typer.Option("--litres", min=0.0, help="How large.")]
    lined: Annotated[bool, typer.Option("--lined", help="Whether it is lined.")] = False


@pytest.fixture
def asked(capsys):
    """Run a command that takes a block between two options of its own."""
    app, got = make_app("Trial."), []

    @app.callback()
    def _root() -> None:
        """Keep the command a command of a group."""

    @app.command("fill")
    @spread
    def fill(
        name: Annotated[str, typer.Argument(metavar="NAME")],
        *,
        before: Annotated[int, typer.Option("--before")] = 1,
        tank: Tank,
        after: Annotated[int, typer.Option("--after")] = 2,
    ) -> None:
        """Fill a tank."""
        got.append((name, before, tank, after))

    def trial(*words: str) -> tuple[ExitCode, list, str]:
        got.clear()
        code = run(app, ["fill", *words], name="trial")
        said = capsys.readouterr()
        return code, list(got), said.out + said.err

    return trial


def test_a_block_is_filled_from_its_options(asked) -> None:
    code, got, _ = asked("T", "--lined", "--after", "9", "--litres", "5")
    assert code is ExitCode.DONE
    assert got == [("T", 1, Tank(litres=5.0, lined=True), 9)]


def test_defaults_needs_and_limits_are_those_of_the_fields(asked) -> None:
    assert asked("T", "--litres", "5")[1] == [("T", 1, Tank(litres=5.0, lined=False), 2)]
    code, got, said = asked("T")
    assert (code, got) == (ExitCode.BAD_INPUT, [])
    assert "--litres" in said
    assert asked("T", "--litres", "-1")[0] is ExitCode.BAD_INPUT


def test_the_help_lists_the_options_in_the_place_of_the_block(asked) -> None:
    said = asked("--help")[2]
    places = [said.index(flag) for flag in ("--before", "--litres", "--lined", "--after")]
    assert places == sorted(places)
    assert "Fill a tank." in said
    assert "tank" not in said.replace("Fill a tank.", "")


def test_a_command_without_blocks_is_left_as_it_is() -> None:
    def plain(name: str) -> str:
        return name

    assert spread(plain)("x") == "x"


def test_where_writing_goes_is_said_in_one_place() -> None:
    whole = set(WritingOptions.__dataclass_fields__) - {"acting_as"}
    repeated = [
        f"{file.relative_to(ROOT)}: {function.name}"
        for package in ("bulkflow", "panels")
        for file in sorted((ROOT / package / "cli").glob("*.py"))
        for function in ast.parse(file.read_text("utf-8")).body
        if isinstance(function, ast.FunctionDef)
        and whole <= {one.arg for one in function.args.kwonlyargs}
    ]
    assert repeated == []
