"""The command line: ``bulkflow``. Commands import what is heavy in their own bodies."""

from __future__ import annotations

from bulkflow.cli import (
    account,
    begin,
    cases,
    due,
    floors,
    laboratory,
    liquid,
    loads,
    lots,
    plan,
    records,
    report,
    rules,
    what_if,
)
from bulkflow.cli.shell import EXIT_CODES_HELP, DebugOption, VersionOption, leave, make_app, run

__all__ = ["app", "main"]

app = make_app(
    "Plan bulk shipments of juniper spirit, keep the register of lots, check the answer."
    "\n\n" + EXIT_CODES_HELP,
    sections={
        "Begin": ("begin", "check", "rules", "floors"),
        "Plan": ("plan", "what-if", "compare", "report"),
        "Every week": ("due", "loads", "lots", "account", "laboratory", "cases"),
        "Look up and prove": ("records", "liquid", "schema"),
    },
)


@app.callback()
def _root(*, version: VersionOption = False, debug: DebugOption = False) -> None:
    """Hold what is common to all commands; ``--debug`` is read by ``shell.run``."""


begin.mount(app)
plan.mount(app)
what_if.mount(app)
floors.mount(app)
rules.mount(app)
report.mount(app)
due.mount(app)
app.add_typer(lots.app)
app.add_typer(loads.app)
app.add_typer(account.app)
app.add_typer(laboratory.app)
app.add_typer(cases.app)
app.add_typer(records.app)
app.add_typer(liquid.app)


def main() -> None:
    """Run the command line of this process and end it with the exit code."""
    leave(run(app, name="bulkflow"))
