"""``bulkflow floors``: how far floors protect against what comes otherwise than foreseen."""

from __future__ import annotations

from typing import Annotated

import typer

from bulkflow.cli.shell import FolderArgument, JsonOption, result_console, write_json
from bulkflow.wording import amount, percent

__all__ = ["mount"]

FLOORS_SCHEMA = "bulkflow-floors/1"

ServiceOption = Annotated[
    float,
    typer.Option(
        min=0.01, max=99.99, metavar="PERCENT", help="Intervals without a shortage asked for."
    ),
]
DemandErrorOption = Annotated[
    float,
    typer.Option(
        min=0.0,
        max=1000.0,
        metavar="PERCENT",
        help="How far a period's demand usually is from what was foreseen (one standard deviation,"
        " of the demand).",
    ),
]
TransitErrorOption = Annotated[
    float,
    typer.Option(
        min=0.0,
        max=365.0,
        metavar="DAYS",
        help="How far a journey usually is from its days (one standard deviation).",
    ),
]


def mount(app: typer.Typer) -> None:
    """Add the command of this module to an app."""
    app.command(no_args_is_help=True)(floors)


def floors(
    folder: FolderArgument,
    *,
    service: ServiceOption = 95.0,
    demand_error: DemandErrorOption = 20.0,
    transit_error: TransitErrorOption = 4.0,
    json: JsonOption = False,
) -> None:
    """Show how far each floor covers demand and journeys that are not as foreseen.

    A plan knows one demand and one journey for each load; floors are there for the rest. How far
    off they usually are is yours to say: from forecasts and journeys of earlier quarters.

    Example: bulkflow floors scenarios/vejkalna --service 98 --demand-error 25
    """
    from dataclasses import asdict

    from rich.text import Text

    from bulkflow.plan.answer import plain_table
    from bulkflow.plan.floors import floor_covers
    from bulkflow.scenario.reader import read_workspace

    scenario = read_workspace(folder).scenario
    found = floor_covers(
        scenario,
        service=service / 100.0,
        demand_error=demand_error / 100.0,
        transit_error_days=transit_error,
    )
    if json:
        rows = [asdict(one) for one in found]
        write_json({"schema": FLOORS_SCHEMA, "scenario_name": scenario.name, "floors": rows})
        return
    console = result_console()
    if not found:
        console.print("No lane brings what is in demand, so there is no floor to judge.")
        return
    figures = ("LPA a period", "days", "floor", "covers", "served", "wanted")
    table = plain_table("site", "liquid", *figures, right=figures)
    for one in found:
        table.add_row(
            one.site, one.liquid, amount(one.mean_lpa), f"{one.interval_days:.0f}",
            amount(one.floor_lpa) if one.floor_lpa else "-", percent(one.covered),
            percent(one.served), Text(amount(one.wanted_lpa), style="" if one.enough else "bold"),
        )  # fmt: skip
    console.print(table)
    below = sum(not one.enough for one in found)
    console.print(
        f"\nDays: from one load to the next and from loading to use, by the soonest lane. Covers:"
        f" the chance that demand over these days is not above what was foreseen by more than the"
        f" floor. Wanted: the floor that covers {service:g} % where a period's demand is off by"
        f" {demand_error:g} % and a journey by {transit_error:g} days (one standard deviation,"
        f" normal, independent). {below} of {len(found)} floors are below it."
    )
