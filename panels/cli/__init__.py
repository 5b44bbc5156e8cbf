"""The command line: ``panels``. Commands import what is heavy in their own bodies."""

from __future__ import annotations

import sys
from importlib import import_module
from types import MappingProxyType
from typing import Any

import typer

from bulkflow.cli.shell import (
    EXIT_CODES_HELP,
    DebugOption,
    SectionedGroup,
    VersionOption,
    make_app,
    run,
)
from bulkflow.errors import BulkflowError, Fault, InputError
from panels.cli.booth import booth
from panels.cli.queue import queue
from panels.errors import ConvergenceError, MethodError, PanelsError

__all__ = ["build_app", "main"]

GROUPS = ("rule", "standard", "sample", "assessor", "sitting", "confirm", "uses")
"""Modules of this package that each hold an ``app``; in the order of the help."""


class _Group(SectionedGroup):
    """Translates errors and interruptions for the shared wrapper, which shows and codes them."""

    sections = MappingProxyType(
        {
            "Sit": ("queue", "sitting", "booth", "confirm"),
            "Prepare": ("sample", "standard", "assessor", "rule"),
            "Put to work": ("uses",),
        }
    )

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except (PanelsError, MethodError) as error:
            raise _translated(error) from error
        except KeyboardInterrupt as stop:  # as an exit code alone it would end without a word
            raise typer.Abort from stop


def _translated(error: PanelsError | MethodError) -> BulkflowError:
    """Bad input for all but an estimate that did not settle, which is nobody's slip."""
    if isinstance(error, ConvergenceError):
        return BulkflowError(str(error))
    return InputError(Fault("", 0, "", str(error).rstrip("."), ""))


def build_app() -> typer.Typer:
    """Assemble the commands; nothing heavy is imported by it."""
    app = make_app(
        "Run blind nosing panels, from the sample bottle to a release decision with a stated"
        " risk.\n\n" + EXIT_CODES_HELP
    )
    app.info.cls = _Group

    @app.callback()
    def _root(*, version: VersionOption = False, debug: DebugOption = False) -> None:
        """Hold what is common to all commands; ``--debug`` is read by ``shell.run``."""

    app.command("queue")(queue)
    app.command("booth")(booth)
    for name in GROUPS:
        app.add_typer(import_module(f"{__name__}.{name}").app, name=name)
    return app


def main() -> None:
    """Run the command line of this process and end it with the exit code."""
    sys.exit(run(build_app(), name="panels"))
