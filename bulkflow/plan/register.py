"""The opening lots of a workspace taken from its register, where it has one.

The register knows what is left of each lot and whether every gate is open; the workspace's own
table of opening lots only begins it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from bulkflow.errors import Fault, InputError
from bulkflow.lots.opening import OpeningLot
from bulkflow.lots.workspace import WorkspaceOpening, opening_of_workspace
from bulkflow.plan.law import limits_of_law
from bulkflow.scenario.model import Lot, LotStatus, Scenario

__all__ = ["Opened", "with_register"]

LONGEST_NOTE = 2000  # of a lot's note in a workspace


@dataclass(frozen=True, slots=True)
class Opened:
    """A scenario with its opening lots as the register has them.

    Parameters
    ----------
    register, chain_head : where it is and where its chain ends; '' where there is none.
    said : what the user should be told (tables taken over); may be empty.
    kept : whether the opening is what an earlier plan kept of it.
    """

    scenario: Scenario
    register: str
    chain_head: str
    said: str
    kept: bool = False


def with_register(scenario: Scenario, folder: Path, database: str | None) -> Opened:
    """Return the scenario with its opening lots taken from the register of its folder.

    Raises
    ------
    InputError
        The register holds a lot of a liquid or at a site that the workspace does not have.
    DatabaseError
        The register cannot be opened.
    """
    law = limits_of_law(scenario)
    opening = opening_of_workspace(folder, scenario.calendar.start, database=database, law=law)
    if opening is None:
        return Opened(scenario, "", "", "")
    faults = list(_faults(scenario, opening))
    if faults:
        raise InputError(faults)
    notes = {lot.lot_id: lot.note for lot in scenario.lots}
    lots = tuple(_lot(one, notes.get(one.lot_id), opening.register) for one in opening.lots)
    return Opened(
        scenario.model_copy(update={"lots": lots}),
        opening.register,
        opening.head,
        opening.said,
    )


def _faults(scenario: Scenario, opening: WorkspaceOpening) -> list[Fault]:
    liquids = {one.id for one in scenario.liquids}
    sites = {one.id for one in scenario.sites}
    faults = []
    for lot in opening.lots:
        for known, kind, name in (
            (liquids, "liquid", lot.liquid_id),
            (sites, "site", lot.site_id),
        ):
            if name not in known:
                faults.append(
                    Fault(
                        opening.register,
                        0,
                        f"lot {lot.lot_id}",
                        f"has the {kind} {name!r}, which scenario.yaml does not have",
                        f"Add the {kind} to scenario.yaml.",
                    )
                )
    return faults


def _lot(one: OpeningLot, note: str | None, register: str) -> Lot:
    """Return a lot of the register as the planner takes it; the reason of a shut gate is kept."""
    shut = one.status != "released"
    try:
        return Lot(
            lot_id=one.lot_id,
            liquid=one.liquid_id,
            site=one.site_id,
            tank=one.tank_id,
            litres_20c=float(one.lpa) * 100.0 / float(one.strength_percent),
            strength_percent=float(one.strength_percent),
            status=LotStatus(one.status),
            decision_due=one.expected_release,
            made_on=one.made_on,
            spirit_base=one.spirit_base,
            supplier=one.supplier_id,
            restrictions=one.restrictions,
            note=(one.reason[:LONGEST_NOTE] if shut else note) or None,
        )
    except ValidationError as error:
        faults = [
            Fault(
                register,
                0,
                f"lot {one.lot_id}, {'.'.join(str(step) for step in wrong['loc'])}",
                f"is no value to plan with ({wrong['msg'].lower()})",
                "Correct the lot in the register.",
            )
            for wrong in error.errors(include_url=False)
        ]
        raise InputError(faults) from error
