"""The help of every command of both programs: an example each, 80 columns, and completion."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
import typer

from bulkflow.cli import app
from bulkflow.cli.shell import ExitCode, run
from panels.cli import build_app

PROGRAMS = {"bulkflow": app, "panels": build_app()}
BIN = Path(sys.executable).parent
WIDTH = 80


def leaves(command: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield every command that is no group, with the words that lead to it."""
    if not hasattr(command, "commands"):
        yield path, command
        return
    for name, below in command.commands.items():
        yield from leaves(below, (*path, name))


# Built once: building a program's commands takes longer than asking one of them for help.
ROOTS = {name: typer.main.get_command(program) for name, program in PROGRAMS.items()}
COMMANDS = [
    pytest.param(path, command, id=" ".join(path))
    for name, root in ROOTS.items()
    for path, command in leaves(root, (name,))
]


def help_of(path: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> str:
    ROOTS[path[0]].main([*path[1:], "--help"], prog_name=path[0], standalone_mode=False)
    return capsys.readouterr().out


def example_of(path: tuple[str, ...], said: str) -> list[str]:
    """Return the words of the example in a help text; it may be broken over lines."""
    found = re.search(r"Example: (.*?)(?:\n\s*\n|\Z)", said, re.DOTALL)
    assert found, f"{' '.join(path)} has no example"
    return shlex.split(" ".join(found.group(1).split()))


@pytest.mark.parametrize(("path", "command"), COMMANDS)
def test_help_fits_80_columns_and_its_example_parses(path, command, capsys) -> None:
    said = help_of(path, capsys)
    lines = [line for line in said.splitlines() if "Example:" not in line]
    assert max(map(len, lines)) <= WIDTH
    assert "\x1b" not in said
    assert said.startswith(f"Usage: {' '.join(path)} ")
    name, *words = example_of(path, said)
    shown = ROOTS[name]
    while hasattr(shown, "commands"):
        shown = shown.commands[words.pop(0)]
    assert shown.callback.__wrapped__ is command.callback.__wrapped__
    shown.make_context(name, words)  # every option and argument is there


def test_every_file_that_a_command_writes_is_named_with_out() -> None:
    places = {
        (" ".join(one.values[0]), option.opts[0])
        for one in COMMANDS
        for option in one.values[1].params
        if not getattr(option, "is_flag", True)
        and option.opts[0].startswith("--")
        and (option.help or "").startswith(("Write", "Draw"))
    }
    assert len(places) >= 11
    assert {name for _, name in places} == {"--out"}


@pytest.mark.parametrize("name", PROGRAMS)
def test_groups_list_their_commands_within_80_columns(name, capsys) -> None:
    group = ROOTS[name]
    assert run(PROGRAMS[name], ["--help"], name=name) is ExitCode.DONE
    assert capsys.readouterr().out == help_of((name,), capsys)
    for path in [(name,), *((name, one) for one, below in group.commands.items()
                            if hasattr(below, "commands"))]:  # fmt: skip
        assert max(map(len, help_of(path, capsys).splitlines())) <= WIDTH


def groups(command: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any]]:
    if hasattr(command, "commands"):
        yield path, command
        for name, below in command.commands.items():
            yield from groups(below, (*path, name))


def test_commands_stand_under_what_one_is_doing_each_once(capsys) -> None:
    for name, root in ROOTS.items():
        for path, group in groups(root, (name,)):
            named = [one for names in group.sections.values() for one in names]
            if named:
                assert sorted(named) == sorted(group.commands), path
            listed = re.findall(r"^  ([a-z][a-z-]+)  ", help_of(path, capsys), re.MULTILINE)
            assert sorted(listed) == sorted(group.commands), path


def test_no_command_is_there_twice() -> None:
    called = [command.callback.__wrapped__ for _, command in (one.values for one in COMMANDS)]
    assert len(set(called)) == len(called)


@pytest.mark.parametrize("name", PROGRAMS)
def test_the_version_is_told(name, capsys) -> None:
    assert run(PROGRAMS[name], ["--version"], name=name) is ExitCode.DONE
    assert capsys.readouterr().out.strip() == version("bulkflow")


def completed(program: str, words: str) -> list[str]:
    """Return what bash offers after some words, by the script the program itself prints."""
    script = f"""
set -e
export PATH={shlex.quote(str(BIN))}:$PATH
eval "$(_{program.upper()}_COMPLETE=source_bash {program})"
COMP_LINE={shlex.quote(words)}
COMP_WORDS=({words}{" ''" if words.endswith(" ") else ""})
COMP_CWORD=$(( ${{#COMP_WORDS[@]}} - 1 ))
completer=$(complete -p {program} | sed 's/.*-F \\([^ ]*\\).*/\\1/')
"$completer" {program} || true
printf '%s\\n' "${{COMPREPLY[@]}}"
"""
    environment = {name: value for name, value in os.environ.items() if "COMPLETE" not in name}
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, timeout=60, env=environment,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.parametrize(
    ("program", "words", "offered"),
    [
        ("bulkflow", "bulkflow pl", {"plan"}),
        pytest.param("bulkflow", "bulkflow lots wh", {"why"}, marks=pytest.mark.full),
        pytest.param("bulkflow", "bulkflow plan --sin", {"--since"}, marks=pytest.mark.full),
        pytest.param("panels", "panels sit", {"sitting"}, marks=pytest.mark.full),
    ],
)
def test_bash_completes_commands_and_options(program, words, offered) -> None:
    assert set(completed(program, words)) == offered
