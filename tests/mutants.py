"""Change a module in small ways, one at a time, and see whether its tests notice.

``python -m tests.mutants bulkflow/duty.py tests/test_duty.py [--every 3]`` tries every third
mutant, prints those that no test killed, and the score. By hand, minutes; needs cosmic-ray
(``pip install cosmic-ray``), whose operators it uses. Nothing is written: each mutant lives in a
process of its own, where it takes the module's place.

Left out are changes that mean nothing to a test of what a module does: decorators of data classes,
how arguments may be passed, and operators that the numbers here do not have (bits, identity).
"""

from __future__ import annotations

import argparse
import difflib
import importlib.abc
import importlib.util
import os
import re
import resource
import sys
from collections.abc import Iterator
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Any

import hypothesis.extra.numpy  # here what takes long to load is loaded once for all mutants
import pandas as pd
import pytest
import scipy.special

LOADED = (hypothesis, pd, scipy)
SECONDS = 60  # of processor time for one mutant; a loop without an end is killed
SENSELESS = re.compile(
    r"RemoveDecorator|AddNot|ExceptionReplacer|ReplaceUnaryOperator|VariableReplacer|VariableInserter"
    r"|_(RShift|LShift|BitAnd|BitOr|BitXor|Mod|FloorDiv|Pow)$|BinaryOperator_Bit"
    r"|_(Is|IsNot)(_|$)"
)
UNTOUCHED = re.compile(r"^\s*(@dataclass|\*,|/,|from |import |\"\"\")|^def .*[(, ]\*,|raise ")


class Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads a module from a changed text."""

    def __init__(self, name: str, path: Path, text: str) -> None:
        self.name, self.path, self.text = name, path, text

    def find_spec(self, name: str, path: object, target: object = None) -> ModuleSpec | None:
        """Return where the module comes from, if it is this one."""
        return (
            importlib.util.spec_from_loader(name, self, origin=str(self.path))
            if (name == self.name)
            else None
        )

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed text as the module."""
        module.__file__ = str(self.path)
        exec(compile(self.text, str(self.path), "exec"), module.__dict__)


def mutants_of(text: str) -> Iterator[tuple[str, str]]:
    """Yield every changed text and what was changed, as lines of a difference."""
    import parso
    from cosmic_ray.ast import ast_nodes
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator, operator_names

    tree = parso.parse(text)
    nodes = list(ast_nodes(tree))
    for name in sorted(operator_names()):
        if SENSELESS.search(name):
            continue
        kind = get_operator(name)
        for arguments in [one.operator_args for one in kind.examples()] or [{}]:
            operator: Any = kind(**arguments)
            count = sum(len(list(operator.mutation_positions(node))) for node in nodes)
            for occurrence in range(count):
                changed = mutate_code(text.encode(), operator, occurrence)
                if changed is None:
                    continue
                lines = [
                    line
                    for line in difflib.unified_diff(
                        text.splitlines(), changed.splitlines(), lineterm="", n=0
                    )
                    if line[0] in "+-" and line[:3] not in ("+++", "---")
                ]
                if lines and not UNTOUCHED.search(lines[0][1:]):
                    yield changed, "\n".join(lines)


def is_killed(name: str, path: Path, text: str, tests: list[str]) -> bool:
    """Run tests on a changed module in a process of its own; tell whether one failed."""
    child = os.fork()
    if child == 0:
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        sys.meta_path.insert(0, Instead(name, path, text))
        code = 9
        try:
            plain = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
            loaded = "ignore::pytest.PytestAssertRewriteWarning"  # of plugins, by the parent
            code = int(pytest.main([*plain, "-W", loaded, *tests]))
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0


def main(argv: list[str] | None = None) -> int:
    """Try the mutants of one module."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("module", type=Path, help="path of the module, from the top of the tree")
    parser.add_argument("tests", nargs="+", help="test files, as pytest takes them")
    parser.add_argument("--every", type=int, default=1, help="try every n-th mutant")
    arguments = parser.parse_args(argv)
    path: Path = arguments.module
    name = ".".join(path.with_suffix("").parts)
    text = path.read_text("utf-8")
    if is_killed(name, path, text, arguments.tests):
        sys.exit("The tests fail on the module as it is.")
    tried = killed = 0
    found = dict.fromkeys(mutants_of(text))
    for changed, lines in list(found)[:: arguments.every]:
        tried += 1
        if is_killed(name, path, changed, arguments.tests):
            killed += 1
        else:
            print(f"--- survived\n{lines}", flush=True)
    print(f"{path}: {killed} of {tried} killed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
