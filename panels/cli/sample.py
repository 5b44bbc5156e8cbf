"""``panels sample``: what to draw from a tank, and the sealed bottles to keep."""

from __future__ import annotations

import sys
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from bulkflow.cli.register_options import (
    DatabaseOption,
    LotArgument,
    plain_data,
    plain_table,
)
from bulkflow.cli.shell import FolderArgument, JsonOption, make_app, result_console, write_json
from bulkflow.errors import Fault, InputError
from panels.cli.option_blocks import PanelWritingOptions, spread
from panels.cli.register import not_to_come, reading_panels

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from panels.preparation.sampling import SamplingPlan

__all__ = ["app"]

app = make_app("Draw samples from a tank, and keep the sealed ones.", name="sample")

DayOption = Annotated[
    datetime, typer.Option("--on", formats=["%Y-%m-%d"], metavar="DATE", help="Day of drawing.")
]
AssessorsOption = Annotated[
    int, typer.Option("--assessors", min=3, max=60, help="How many will nose the lot.")
]
RetainOption = Annotated[int, typer.Option("--retain", help="Sealed bottles to keep.")]
MonthsOption = Annotated[int, typer.Option("--months", help="How long they are kept.")]


@app.command("sheet")
def sheet(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    on: DayOption,
    assessors: AssessorsOption = 10,
    retain: RetainOption = 2,
    months: MonthsOption = 24,
    database: DatabaseOption = None,
    as_json: JsonOption = False,
) -> None:
    """Print what to draw from the lot's tank, with amounts, labels and cautions.

    Example: panels sample sheet scenarios/vejkalna VK-DRY-2643 --on 2026-12-14
    """
    with reading_panels(folder, database) as session:
        plan = _plan(session, lot, on, assessors, retain, months)
    if as_json:
        write_json({"schema": "panels.sampling", "version": 1, **plain_data(plan)})
    else:
        _print(plan)


@app.command("keep")
@spread
def keep(
    folder: FolderArgument,
    lot: LotArgument,
    *,
    on: DayOption,
    seal: Annotated[
        list[str], typer.Option("--seal", help="Number of the seal on each bottle, in order.")
    ],
    kept_at: Annotated[str, typer.Option("--kept-at", help="Where the bottles are kept.")],
    density: Annotated[
        list[float] | None,
        typer.Option("--density", help="Density of each level [kg/m3], from top to bottom."),
    ] = None,
    months: MonthsOption = 24,
    writing: PanelWritingOptions,
) -> None:
    """Record the sealed bottles that are kept of a lot.

    Example: panels sample keep scenarios/vejkalna VK-DRY-2643 --on 2026-11-30 --seal 47 --kept-at
    store
    """
    from bulkflow.lots.bodies import Sample
    from bulkflow.lots.samples import keep_sample
    from panels.preparation.sampling import layers_agree

    if density and not layers_agree(density):
        raise InputError(
            Fault("", 0, "--density", "shows layers that differ", "Mix the tank and draw again.")
        )
    not_to_come("--on", on.date())
    with writing.panels(folder) as session:
        plan = _plan(session, lot, on, 10, len(seal), months)
        bottles = [bottle for bottle in plan.bottles if bottle.sealed]
        records = [
            keep_sample(
                session,
                Sample.model_validate(
                    {
                        "lot_id": lot,
                        "sample_id": bottle.label,
                        "taken_on": plan.drawn_on,
                        "taken_from": plan.tank or "tank not named in the register",
                        "volume_ml": str(bottle.volume_ml),
                        "kept_at": kept_at,
                        "seal": number,
                        "expires_on": bottle.keep_until,
                    }
                ),
            )
            for bottle, number in zip(bottles, seal, strict=True)
        ]
    said = f"Kept {len(records)} sealed bottles of {lot}"
    writing.tell(records, said)


def _plan(
    session: Session, lot: str, on: datetime, assessors: int, retain: int, months: int
) -> SamplingPlan:
    from bulkflow.lots.queries import find_lot
    from panels.preparation.sampling import plan_sampling
    from panels.release.register import rule_in_force
    from panels.sittings.volumes import spirit_needed

    line = find_lot(session, lot)
    declared = rule_in_force(session, line.liquid_id, on.date())
    if declared is None:
        raise InputError(
            Fault(
                "",
                0,
                "lot",
                f"{lot} is {line.liquid_id}, which has no release rule by {on:%Y-%m-%d}",
                "The rule says how often it may be nosed: declare it first.",
            )
        )
    needed = spirit_needed(lot, float(line.strength_percent), declared.rule, assessors=assessors)
    return plan_sampling(
        lot,
        tank=line.tank_id,
        drawn_on=on.date(),
        panel_ml=max(100.0, needed.total_ml),
        retained=retain,
        retention_months=months,
    )


def _print(plan: SamplingPlan) -> None:
    from panels.preparation import cautions
    from panels.preparation.sampling import LAYER_TOLERANCE_KG_M3

    console = result_console()
    tank = plan.tank or "its tank"
    console.print(f"Draw {plan.per_level_ml:g} ml from each level of {tank} for {plan.lot}:")
    for level in plan.levels:
        console.print(f"- {level.value}")
    console.print(
        f"Measure the density of each level apart. Levels that differ by more than"
        f" {LAYER_TOLERANCE_KG_M3:g} kg/m3 mean a tank that is not mixed: mix, and draw again."
    )
    console.print("Then put equal parts together, and fill:")
    headings = {"label": "left", "for": "left", "ml": "right", "seal": "left", "keep until": "left"}
    rows = [
        [
            b.label,
            b.purpose,
            f"{b.volume_ml:g}",
            "yes" if b.sealed else "no",
            str(b.keep_until or "used up"),
        ]
        for b in plan.bottles
    ]
    console.print(plain_table(headings, rows))
    for line in cautions.tank_sampling(plan.drawn_on):
        console.print(f"! {line}")
    sys.stdout.flush()
