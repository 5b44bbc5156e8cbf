"""``bulkflow what-if``: a change in one line, and what it does to the plan."""

from __future__ import annotations

import shlex
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.register_options import DatabaseOption, plain_data
from bulkflow.cli.shell import (
    ExitCode,
    FolderArgument,
    JsonOption,
    message_console,
    result_console,
    write_json,
)
from bulkflow.wording import amount, money

if TYPE_CHECKING:
    from rich.console import Console

    from bulkflow.cli.progress import Stoppable
    from bulkflow.core.options import SolveOptions
    from bulkflow.plan.make import NamesOfLoads
    from bulkflow.plan.result import PlanResult
    from bulkflow.scenario.model import Scenario
    from bulkflow.scenario.reader import Workspace
    from bulkflow.what_if import WhatIf

__all__ = ["mount", "what_if"]

WHAT_IF_SCHEMA = "bulkflow-what-if/1"
WORK = 8.0  # units of work (`bulkflow.core.deadline`) of each search: it starts from a plan

ChangesArgument = Annotated[
    list[str],
    typer.Argument(
        metavar="CHANGE...",
        help="One change or several, each in quotes: demand SITE LIQUID AMOUNT [WHEN]; hold LOT;"
        " release LOT; guarantee NAME AMOUNT; delay LANE DAYS; late LOAD DAYS; blank LANE DAY;"
        " freight LANE AMOUNT; price SUPPLIER LIQUID AMOUNT; floor SITE LIQUID AMOUNT; close SITE"
        " FIRST-DAY LAST-DAY. AMOUNT is a figure, or a change such as +20%; WHEN is 2027-04, a day"
        " or FIRST..LAST.",
    ),
]
SinceOption = Annotated[
    Path | None,
    typer.Option(
        "--since",
        metavar="PLAN",
        help="The plan at hand, to start from and compare with [default: one is made first].",
    ),
]
SecondsOption = Annotated[
    float | None,
    typer.Option(min=0.1, help="Time for each search [default: none; it ends by its work]."),
]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Keep the plan with the changes here."),
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command("what-if", no_args_is_help=True)(what_if)


def what_if(
    folder: FolderArgument,
    change: ChangesArgument,
    *,
    since: SinceOption = None,
    seconds: SecondsOption = None,
    database: DatabaseOption = None,
    out: OutOption = None,
    json: JsonOption = False,
) -> int:
    """Plan again with a change: what it does, for whom, and what it costs.

    Nothing is kept or changed, unless --out names a folder for the plan.

    Example: bulkflow what-if scenarios/two_sites "demand HARBOUR DRY +20% 2027-01"
    """
    from bulkflow.cli.progress import Stoppable
    from bulkflow.core.options import SolveOptions
    from bulkflow.plan.write import refuse_unfit, write_plan
    from bulkflow.scenario.reader import read_workspace
    from bulkflow.what_if import plan_what_if, read_changes

    workspace = read_workspace(folder)
    before = None if since is None else _at_hand(since, workspace)
    if out is not None:
        refuse_unfit(out)
    scenario, origin = _opened(workspace, database, before)
    changes = read_changes(change, scenario)
    work = WORK if seconds is None else None
    options = SolveOptions(seconds=seconds, work=work, gap=0.0005)
    search = Stoppable(scenario.currency, expected=seconds or WORK)
    names = _names(folder, database) if origin.get("register") else None
    if before is None:
        before = replace(_base(scenario, options, search, names), **origin)
    base = before
    found = search.run(
        lambda report, stop: plan_what_if(
            scenario, base, changes, options, on_progress=report, stop=stop, name_loads=names
        ),
        label="planning with the change",
    )
    if out is not None:
        write_plan(replace(found.after, **origin), out)
    if json:
        write_json(_document(found))
    else:
        again = shlex.join(["bulkflow", "what-if", str(folder), *change])
        _print(found, result_console(), again, since=since, out=out)
    return ExitCode.INTERRUPTED if search.interrupted else ExitCode.DONE


def _at_hand(since: Path, workspace: Workspace) -> PlanResult:
    from bulkflow.plan.belongs import refuse_foreign
    from bulkflow.plan.document import read_plan_at

    result = read_plan_at(since)
    refuse_foreign(result.plan, workspace.scenario, file=str(since))
    return result


def _opened(
    workspace: Workspace, database: str | None, before: PlanResult | None
) -> tuple[Scenario, dict[str, Any]]:
    """Return the workspace on the first day of the plan at hand; no register is begun.

    As the register has it now: a plan that is kept says so by the chain head.
    """
    from bulkflow.account.position import as_planned, with_account
    from bulkflow.lots.workspace import tables_to_take_over
    from bulkflow.records.settings import settings_for

    scenario, folder = workspace.scenario, workspace.folder
    if before is not None:
        opened = as_planned(scenario, folder, database, before, as_kept=False)
        if opened.register and before.chain_head and opened.chain_head != before.chain_head:
            message_console().print(
                "The register went on since this plan was made, so what it learned is in the"
                " comparison too: plan again first to see the change alone.",
                soft_wrap=True,
            )
    elif settings_for(folder, database).exists and not tables_to_take_over(folder, database):
        opened = with_account(scenario, folder, database)
    else:
        return scenario, {}
    origin = {"register": opened.register, "chain_head": opened.chain_head}
    return opened.scenario, origin if opened.register else {}


def _names(folder: Path, database: str | None) -> NamesOfLoads:
    from bulkflow.cli.plan import names_known

    return names_known(folder, database)


def _base(
    scenario: Scenario, options: SolveOptions, search: Stoppable, names: NamesOfLoads | None
) -> PlanResult:
    """Return a plan without the changes, to compare with."""
    from bulkflow.plan.make import plan_scenario

    return search.run(
        lambda report, stop: plan_scenario(
            scenario, options, on_progress=report, stop=stop, name_loads=names
        ),
        label="planning without the change",
    )


def _document(found: WhatIf) -> dict[str, Any]:
    from bulkflow.plan.summary import summarise

    difference = asdict(found.difference)
    return {
        "schema": WHAT_IF_SCHEMA,
        "changes": [{"line": one.line, "words": one.words} for one in found.changes],
        "sentence": found.sentence,
        "currency": found.after.plan.currency,
        "cost": found.cost,
        "cost_least": _finite(found.least),
        "cost_most": _finite(found.most),
        "receivers": plain_data(found.receivers),
        "after": summarise(found.after).sentence,
        "difference": plain_data(difference),
    }


def _finite(value: float) -> float | None:
    import math

    return value if math.isfinite(value) else None


def _print(
    found: WhatIf, console: Console, again: str, *, since: Path | None, out: Path | None
) -> None:
    from rich.text import Text

    from bulkflow.plan.answer import HEADING, plain_table

    currency = found.after.plan.currency
    console.print(Text("What if", style=HEADING))
    for one in found.changes:
        console.print(f"  {one.words}")
    if found.receivers:
        console.print()
        console.print(Text("For whom (LPA over the horizon)", style=HEADING))
        right = ("asked for", "late or lost", "before", "loads", "before ")
        table = plain_table("site", "liquid", *right, right=right)
        for row in found.receivers:
            table.add_row(
                row.site,
                row.liquid,
                amount(row.asked),
                amount(row.short),
                amount(row.short_before),
                str(row.loads),
                str(row.loads_before),
            )
        console.print(table)
    parts = {
        part: now - was
        for part, (was, now) in found.difference.costs.items()
        if part != "total" and abs(now - was) >= 1.0
    }
    if parts:
        console.print()
        console.print(Text(f"Cost ({currency}, more or less than before)", style=HEADING))
        told = [f"{part} {'+' if by > 0 else '-'}{money(abs(by))}" for part, by in parts.items()]
        console.print(f"  {', '.join(told)}")
    console.print()
    console.print(found.sentence)
    console.print("\nNext")
    if out is None:
        kept = f"{again} --out plans/what-if"
        kept += f" --since {shlex.quote(str(since))}" if since is not None else ""
        console.print("Keep this plan (the workspace and its register stay as they are):")
        console.print(f"  {kept}", soft_wrap=True)
    elif since is not None:
        console.print("See every change of loads, runs, purchases and cost:")
        command = shlex.join(["bulkflow", "compare", str(since), str(out)])
        console.print(f"  {command}", soft_wrap=True)
    else:
        console.print(f"The plan is kept in {out}; the workspace stays as it is.", soft_wrap=True)
