"""``bulkflow plan``, ``check`` and ``compare``."""

from __future__ import annotations

import shlex
from dataclasses import replace
from enum import StrEnum
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bulkflow.cli.register_options import DatabaseOption, day_option, reading_register
from bulkflow.cli.shell import (
    PLAN_HELP,
    ExitCode,
    FolderArgument,
    JsonOption,
    message_console,
    result_console,
    write_json,
)
from bulkflow.errors import Fault, InputError
from bulkflow.wording import counted

if TYPE_CHECKING:
    from bulkflow.cli.progress import Stoppable
    from bulkflow.core.options import SolveOptions
    from bulkflow.plan.finding import Finding
    from bulkflow.plan.make import NamesOfLoads
    from bulkflow.plan.result import PlanResult
    from bulkflow.scenario.reader import Workspace

__all__ = ["check", "compare", "mount", "names_known", "parts_named", "plan", "schema"]

SEARCH_WORK = 16.0  # units of work (`bulkflow.core.deadline`): some 20 s with the demo's holds
GAP = 0.0005
FINDINGS_SCHEMA = "bulkflow-findings/1"
DIFFERENCE_SCHEMA = "bulkflow-difference/1"


class SolverName(StrEnum):
    """The solvers that can be asked for."""

    HIGHS = "highs"
    CBC = "cbc"


SecondsOption = Annotated[
    float | None,
    typer.Option(
        min=0.1,
        help="Time for everything: search, what holds cost, lots in loads, report; kept within a"
        " tenth or 5 s on an idle machine [default: none; the search ends by its work].",
    ),
]
GapOption = Annotated[
    float, typer.Option(min=0.0, max=0.99, help="Stop at this gap (0.0005 is 0.05 %).")
]
SolverOption = Annotated[SolverName, typer.Option(help="The solver to use.")]
ThreadsOption = Annotated[int, typer.Option(min=1, max=256, help="Solver threads.")]
NodesOption = Annotated[
    int | None, typer.Option(min=0, help="Most nodes of the search tree (repeatable runs).")
]
RoundsOption = Annotated[
    int | None, typer.Option(min=0, help="Most rounds of strengthening (repeatable runs).")
]
OutOption = Annotated[
    Path | None,
    typer.Option(
        "--out", metavar="DIR", help="Write report, workbook, CSV tables and plan.json here."
    ),
]
SinceOption = Annotated[
    Path | None,
    typer.Option(
        "--since",
        metavar="PLAN",
        help="Start from this earlier plan (plan.json or its folder) and show what changed.",
    ),
]
OnOption = Annotated[
    str | None,
    typer.Option(
        "--on",
        metavar="DATE",
        help="Plan from this later day on (the first of a period), from the register's account.",
    ),
]
HoldsOption = Annotated[
    bool,
    typer.Option(
        "--price-holds/--no-price-holds",
        help="Plan again without each closed gate to see what it costs (a quarter of the time).",
    ),
]
ExplainOption = Annotated[
    bool,
    typer.Option("--explain/--no-explain", help="Say why demand is badly short, where it is."),
]
RegisterOption = Annotated[
    bool,
    typer.Option(
        "--register/--no-register",
        help="Take the opening lots from the register, begun if need be, or from the tables alone.",
    ),
]
ShowOption = Annotated[
    list[str] | None,
    typer.Option(
        "--show",
        metavar="PART",
        help="Show a part in full: short, reasons, loads, stocks, duty, holds, purchases, runs,"
        " costs, proof, changes, or all; repeatable, or joined by commas.",
    ),
]
PlanFileOption = Annotated[
    Path | None,
    typer.Option("--plan", metavar="FILE", help="Also check this plan.json against the folder."),
]
BeforeArgument = Annotated[Path, typer.Argument(metavar="BEFORE", help=PLAN_HELP)]
AfterArgument = Annotated[Path, typer.Argument(metavar="AFTER", help=PLAN_HELP)]


ProveOption = Annotated[
    float | None,
    typer.Option(
        "--prove",
        metavar="SECONDS",
        min=0.1,
        help="Prove the bound of the plan anew: solve the relaxation again, for this long at most.",
    ),
]


def mount(app: typer.Typer) -> None:
    """Add the commands of this module to an app."""
    for command in (plan, check, compare):
        app.command(no_args_is_help=True)(command)
    app.command()(schema)


def plan(
    folder: FolderArgument,
    *,
    seconds: SecondsOption = None,
    gap: GapOption = GAP,
    solver: SolverOption = SolverName.HIGHS,
    threads: ThreadsOption = 1,
    nodes: NodesOption = None,
    rounds: RoundsOption = None,
    since: SinceOption = None,
    on: OnOption = None,
    price_holds: HoldsOption = True,
    explain: ExplainOption = True,
    register: RegisterOption = True,
    database: DatabaseOption = None,
    out: OutOption = None,
    show: ShowOption = None,
    json: JsonOption = False,
) -> int:
    """Plan a workspace: loads, runs and purchases, with proof, shown and checked.

    The answer fits a screen; longer parts are shown by name (--show). Ctrl-C keeps and shows the
    best plan so far.

    Example: bulkflow plan scenarios/two_sites
    """
    from bulkflow.cli.made_plan import MadePlan, TimeAllowed
    from bulkflow.cli.progress import Stoppable
    from bulkflow.cli.report import whereabouts
    from bulkflow.core.options import SolveOptions
    from bulkflow.plan.write import refuse_unfit
    from bulkflow.scenario.reader import read_workspace

    timed, shown = seconds is not None, parts_named(show)
    work = SEARCH_WORK if seconds is None and nodes is None and rounds is None else None
    clock = TimeAllowed(seconds)
    workspace = read_workspace(folder)
    calendar_start = workspace.scenario.calendar.start
    earlier = _earlier(since, workspace)
    if out is not None:
        refuse_unfit(out)
    workspace, origin = _opened(workspace, database, on, register=register)
    names = names_known(folder, database) if origin.get("register") else None
    options = SolveOptions(
        seconds=clock.for_search(gates=price_holds and _has_gates(workspace)),
        work=work,
        gap=gap,
        solver=solver.value,
        threads=threads,
        max_nodes=nodes,
        max_rounds=rounds,
    )
    search = Stoppable(workspace.scenario.currency, expected=seconds or work)
    result = replace(_planned(workspace, options, search, earlier, names), **origin)
    where = whereabouts(result, folder, out, database, calendar_start)
    done = MadePlan(workspace, result, earlier, where, clock, search, database)
    done.extras.seconds["search"] = clock.used()
    if out is not None:  # first of all: nothing that follows can lose it
        done.keep(out)
    if price_holds and not search.interrupted:
        done.price(options)
    if explain and not search.interrupted:
        done.explain()
    done.fill()
    if out is not None and done.result is not result:
        done.keep_again(out)
    done.show(as_json=json, show=shown)
    if out is not None and done.unkept is None:
        done.write_extras(out)
    if out is not None or timed:
        message_console().print(done.words(out, seconds), soft_wrap=True)
    if not json:
        done.show_next()
    done.raise_for_failures()
    interrupted = search.interrupted or done.extras.interrupted
    return ExitCode.INTERRUPTED if interrupted else ExitCode.DONE


def parts_named(show: list[str] | None) -> frozenset[str]:
    """Return the parts of the answer that were asked for by name.

    Raises
    ------
    InputError
        With every name that is none, and the nearest one.
    """
    from bulkflow.plan.answer import ALL_PARTS, PARTS
    from bulkflow.reading.words import did_you_mean

    names = [name.strip() for given in show or () for name in given.split(",")]
    known = [*PARTS, ALL_PARTS]
    wrong = [name for name in names if name not in known]
    if wrong:
        raise InputError(
            Fault("", 0, "--show", f"names no part ({name[:40]!r})", did_you_mean(name, known))
            for name in wrong
        )
    return frozenset(names)


def _earlier(since: Path | None, workspace: Workspace) -> PlanResult | None:
    """Return the plan to start from, refused where it is of another workspace."""
    from bulkflow.plan.belongs import refuse_unlike
    from bulkflow.plan.write import read_plan_at

    if since is None:
        return None
    earlier = read_plan_at(since)
    refuse_unlike(earlier.plan, workspace.scenario, file=str(since))
    return earlier


def _has_gates(workspace: Workspace) -> bool:
    """Return whether a lot is held or awaits a decision."""
    return any(lot.status in ("held", "awaiting") for lot in workspace.scenario.lots)


def names_known(folder: Path, database: str | None) -> NamesOfLoads:
    """Return what gives the loads of a plan the names that the register knows them by."""
    from bulkflow.loads.naming import named_as_known
    from bulkflow.loads.queries import loads_in

    with reading_register(folder, database) as (_, session):
        known = {one.load_id: one for one in loads_in(session)}
    return lambda plan: named_as_known(plan, known)


def _planned(
    workspace: Workspace,
    options: SolveOptions,
    search: Stoppable,
    earlier: PlanResult | None,
    names: NamesOfLoads | None,
) -> PlanResult:
    from bulkflow.plan.make import plan_workspace

    start = earlier.plan if earlier is not None else None
    return search.run(
        lambda report, stop: plan_workspace(
            workspace, options, on_progress=report, stop=stop, start=start, name_loads=names
        ),
        label="planning",
    )


def _opened(
    workspace: Workspace, database: str | None, on: str | None, *, register: bool
) -> tuple[Workspace, dict[str, Any]]:
    """Return the workspace with the opening position its register has, and where it is from."""
    from bulkflow.account.position import with_account
    from bulkflow.lots.workspace import tables_to_take_over
    from bulkflow.wording import listed

    day = day_option("--on", on)
    if not register:
        if day is not None:
            raise InputError(Fault("", 0, "--on", "is given with --no-register", "Leave out one."))
        return workspace, {}
    tables = tables_to_take_over(workspace.folder, database)
    if tables:
        message_console().print(
            f"There is no register yet, so it is begun now, with what stands in {listed(tables)};"
            " from then on the register is kept, and edits of these tables are told but not read."
            " (--no-register plans from the tables alone and begins nothing.)"
        )
    opened = with_account(workspace.scenario, workspace.folder, database, on=day)
    if opened.said:
        message_console().print(opened.said, soft_wrap=True)
    origin = {"register": opened.register, "chain_head": opened.chain_head}
    return replace(workspace, scenario=opened.scenario), origin


def check(
    folder: FolderArgument,
    *,
    plan: PlanFileOption = None,
    prove: ProveOption = None,
    database: DatabaseOption = None,
    json: JsonOption = False,
) -> int:
    """Read a workspace, say what cannot work, and check a plan against it if given.

    All that a reader of the plan relies on is derived anew; its bound is a claim, unless proved.

    Example: bulkflow check scenarios/two_sites
    """
    from dataclasses import asdict

    from bulkflow.cli.checked_again import CheckedAgain
    from bulkflow.cli.progress import waiting
    from bulkflow.lots.seed_edits import edits_of_workspace
    from bulkflow.lots.seeds import read_seeds
    from bulkflow.lots.workspace import tables_to_take_over
    from bulkflow.plan.make import placed
    from bulkflow.plan.precheck import findings
    from bulkflow.scenario.reader import read_workspace

    if prove is not None and plan is None:
        raise InputError(Fault("", 0, "--prove", "is given without a plan", "Give --plan FILE."))
    workspace = read_workspace(folder)
    if tables_to_take_over(folder, database):
        # The register takes what is found right here, and nothing else.
        read_seeds(folder)
    edits = edits_of_workspace(folder, database)
    for words in edits:
        message_console().print(words, soft_wrap=True)
    again = None
    with waiting("checking"):
        found = placed(findings(workspace.scenario), workspace.scenario, workspace.sources)
        if plan is not None:
            again = CheckedAgain.of(workspace, plan, database)
    if again is not None and prove is not None:
        again.prove(prove)
    if json:
        document: dict[str, Any] = {
            "schema": FINDINGS_SCHEMA,
            "scenario_name": workspace.scenario.name,
            "findings": [asdict(one) for one in found],
            "edited_tables": list(edits),
        }
        if again is not None:
            document |= again.document()
        write_json(document)
    else:
        _print_check(workspace, found)
        if again is not None:
            again.show(
                result_console(),
                shlex.join(["bulkflow", "check", str(folder), "--plan", str(plan)]),
            )
    if any(one.severity == "blocks" for one in found):
        return ExitCode.NO_PLAN
    return again.code if again is not None else ExitCode.DONE


def _print_check(workspace: Workspace, found: tuple[Finding, ...]) -> None:
    from bulkflow.plan.answer import print_findings
    from bulkflow.plan.precheck_loads import unstated_temperatures

    console = result_console()
    scenario = workspace.scenario
    console.print(
        f"{scenario.name}: {counted(len(scenario.sites), 'site')},"
        f" {counted(len(scenario.suppliers), 'supplier')}, {counted(len(scenario.lanes), 'lane')},"
        f" {counted(len(scenario.liquids), 'liquid')},"
        f" {counted(len(scenario.demand), 'row')} of demand. Every file was read without a fault."
    )
    if found:
        print_findings(found, console)
    else:
        console.print("Nothing was found that cannot work.")
    noted = unstated_temperatures(scenario)
    if noted:
        console.print(noted)


def compare(before: BeforeArgument, after: AfterArgument, *, json: JsonOption = False) -> None:
    """Show what changed between two plans: loads, runs, purchases, shortages, cost, inputs.

    Example: bulkflow compare plans/january plans/february
    """
    from dataclasses import asdict

    from bulkflow.plan.answer_difference import print_difference
    from bulkflow.plan.compare import compare_plans
    from bulkflow.plan.write import read_plan_at

    difference = compare_plans(read_plan_at(before), read_plan_at(after))
    if json:
        document = asdict(difference)
        changes = (document[name] for name in ("loads", "runs", "purchases", "shortages"))
        for row in (document, *chain.from_iterable(changes)):
            for name, value in row.items():
                if hasattr(value, "isoformat"):
                    row[name] = value.isoformat()
        write_json({"schema": DIFFERENCE_SCHEMA, **document})
    else:
        print_difference(difference, result_console())


def schema() -> None:
    """Print the JSON Schema of the document that plan --json prints and plan --out writes.

    Example: bulkflow schema
    """
    from bulkflow.plan.schema import SCHEMA_FILE

    typer.echo(SCHEMA_FILE.read_text("utf-8"), nl=False)
