"""``bulkflow report``: a plan as one HTML file and as a workbook."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.plan import ShowOption, parts_named
from bulkflow.cli.register_options import DatabaseOption
from bulkflow.cli.shell import (
    FolderArgument,
    JsonOption,
    PlanArgument,
    message_console,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError

if TYPE_CHECKING:
    from datetime import date

    from bulkflow.plan.compare import PlanDifference
    from bulkflow.plan.next_steps import Whereabouts
    from bulkflow.plan.result import PlanResult
    from bulkflow.plan.week import Week
    from bulkflow.report.lots_in_loads import LotsInLoads
    from bulkflow.report.terms import Terms
    from bulkflow.scenario.reader import Workspace

__all__ = ["lots_beside", "mount", "week_beside", "whereabouts", "write_report"]

REPORT_SCHEMA = "bulkflow-report-files/1"
GOALS = 8  # of the filling of loads from lots, each with time of its own

OutOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--out", metavar="FILE", help="Write the report (.html), the plan (.xlsx); repeatable."
    ),
]
SinceOption = Annotated[
    Path | None,
    typer.Option("--since", metavar="PLAN", help="Also say what changed since this earlier plan."),
]
TermsOption = Annotated[
    Path | None,
    typer.Option("--terms", metavar="FILE", help="A YAML table of the report's words, as lv.yaml."),
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command(no_args_is_help=True)(report)


def report(
    folder: FolderArgument,
    plan: PlanArgument,
    *,
    out: OutOption = None,
    since: SinceOption = None,
    terms: TermsOption = None,
    show: ShowOption = None,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> None:
    """Write a plan as a report (HTML) and as a workbook, or show parts of it here (--show).

    Example: bulkflow report scenarios/two_sites plans/two_sites --out report.html
    """
    from bulkflow.account.position import as_planned
    from bulkflow.cli.extras import Extras
    from bulkflow.cli.outputs import by_ending
    from bulkflow.plan.answer import print_answer, print_verdict
    from bulkflow.plan.belongs import refuse_foreign
    from bulkflow.plan.compare import compare_plans
    from bulkflow.plan.write import on_demand, read_plan_at
    from bulkflow.report.terms import read_terms
    from bulkflow.report.workbook import write_workbook
    from bulkflow.scenario.reader import read_workspace

    files = by_ending(out, {".html": "the report", ".xlsx": "a workbook"})
    html, workbook = files.get(".html"), files.get(".xlsx")
    parts = parts_named(show)
    if not files and not parts:
        mend = "Give --out report.html, --out plan.xlsx, or both; or --show PART."
        raise InputError(Fault("", 0, "the command", "names no file to write", mend))
    words = read_terms(terms) if terms else None
    workspace = read_workspace(folder)
    calendar_start = workspace.scenario.calendar.start
    result = read_plan_at(plan)
    refuse_foreign(result.plan, workspace.scenario, file=str(plan))
    opened = as_planned(workspace.scenario, workspace.folder, database, result)
    workspace = replace(workspace, scenario=opened.scenario)
    extras = Extras()
    if parts and not json:
        print_answer(result, workspace.scenario, result_console(), parts)
        print_verdict(result, result_console())
    if files:
        beside = extras.attempt(
            lambda: lots_beside(result, workspace, database),
            name="lots in loads",
            failing="The report names no lots in loads",
        )
        where = whereabouts(result, folder, plan, database, calendar_start)
        week = extras.attempt(
            lambda: week_beside(result, workspace, database, where),
            name="week",
            failing="The report has no list of the week",
        )
        if html is not None:
            earlier = compare_plans(read_plan_at(since), result) if since else None
            with on_demand(html):
                write_report(
                    html, result, workspace, since=earlier, terms=words, beside=beside, where=where,
                    week=week,
                )  # fmt: skip
        if workbook is not None:
            with on_demand(workbook):
                write_workbook(result, workspace.scenario, workbook, beside=beside, week=week)
    written = [str(one) for one in (html, workbook) if one is not None]
    if json:
        write_json({"schema": REPORT_SCHEMA, "files": written})
    elif written:
        message_console().print(f"Wrote {' and '.join(written)}.")
    extras.raise_for_failures()


def lots_beside(
    result: PlanResult, workspace: Workspace, database: str | None, seconds: float | None = None
) -> LotsInLoads:
    """Return which lots fill the loads of a plan; in about the seconds given."""
    from bulkflow.cli.progress import waiting
    from bulkflow.report.lots_in_loads import lots_in_loads

    with waiting("filling loads from lots"):
        return lots_in_loads(
            workspace.scenario,
            workspace.folder,
            result.plan,
            register=bool(result.register),
            chain_head=result.chain_head,
            database=database,
            seconds=None if seconds is None else seconds / GOALS,
        )


def whereabouts(
    result: PlanResult,
    folder: Path,
    out: Path | None,
    database: str | None,
    calendar_start: date,
) -> Whereabouts:
    """Return where a plan was made from and written to, for commands to copy."""
    from bulkflow.plan.next_steps import Whereabouts
    from bulkflow.records.settings import settings_for

    start = result.plan.period_starts[0]
    return Whereabouts(
        folder=str(folder),
        out=str(out or ""),
        database=settings_for(folder, database).shown if database else "",
        on=start if start != calendar_start else None,
    )


def week_beside(
    result: PlanResult, workspace: Workspace, database: str | None, where: Whereabouts
) -> Week:
    """Return what has to be done in the first week of a plan."""
    from bulkflow.due import week_of_workspace

    return week_of_workspace(
        workspace.scenario,
        workspace.folder,
        result.plan.period_starts[0],
        plan=result,
        where=where,
        database=database,
    )


def write_report(
    file: Path,
    result: PlanResult,
    workspace: Workspace,
    *,
    since: PlanDifference | None = None,
    terms: Terms | None = None,
    beside: LotsInLoads | None = None,
    where: Whereabouts | None = None,
    week: Week | None = None,
) -> None:
    """Write the report; the file appears whole or not at all."""
    from bulkflow.cli.progress import waiting
    from bulkflow.report.page import render_report
    from bulkflow.whole_files import written_whole

    with waiting("drawing the report"):
        text = render_report(
            result,
            workspace.scenario,
            since=since,
            terms=terms,
            beside=beside,
            where=where,
            week=week,
        )
    with written_whole(file) as stream:
        stream.write(text)
