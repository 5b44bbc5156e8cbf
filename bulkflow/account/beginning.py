"""Beginning the account: stock not kept by lot, and loads under way, taken over once."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from bulkflow.account.bodies import Entry, EntryKind
from bulkflow.account.tables import ENTRY, ENTRY_TABLE
from bulkflow.errors import Fault, InputError
from bulkflow.loads.acts import record_loads
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep
from bulkflow.loads.queries import loads_in
from bulkflow.lots.declaring import zone_of
from bulkflow.records.actors import Power
from bulkflow.records.chain import Record, append, require
from bulkflow.scenario.model import LoadRow, Scenario
from bulkflow.scenario.model import LoadState as RowState

__all__ = ["begin_account", "has_begun"]

_STEP = Decimal("0.001")


def begin_account(session: Session, scenario: Scenario) -> list[Record]:
    """Take over the workspace's stock not kept by lot, and its loads under way, once.

    Stock counts on the last day before the calendar starts; a load on the day it left. Loads
    that the register knows already are left alone.

    Raises
    ------
    InputError
        If the account was begun already, or there is nothing to take over.
    RefusedError
        If the acting person may not take over.
    """
    require(session, Power.OPEN, "begin the account")
    if has_begun(session):
        mend = "Enter a correction instead."
        raise InputError(Fault("", 0, "account", "was begun already", mend))
    entries, loads = list(_entries(scenario)), list(_loads(session, scenario))
    if not entries and not loads:
        mend = "Record lots and loads: with them the account begins by itself."
        found = "holds no stock beside lots, and no load under way"
        raise InputError(Fault("", 0, "the workspace", found, mend))
    made = [append(session, ENTRY, one, zone=zone_of(session, one.site_id)) for one in entries]
    return made + (record_loads(session, loads) if loads else [])


def has_begun(session: Session) -> bool:
    """Return whether opening stock was taken over."""
    kind = ENTRY_TABLE.c.kind == EntryKind.TAKEN_OVER.value
    return session.scalar(select(ENTRY_TABLE.c.seq).where(kind).limit(1)) is not None


def _entries(scenario: Scenario) -> Iterable[Entry]:
    before = scenario.calendar.start - timedelta(days=1)
    for row in scenario.opening_stock:
        if row.lpa > 0:
            yield Entry(
                site_id=row.site,
                liquid_id=row.liquid,
                kind=EntryKind.TAKEN_OVER,
                lpa=Decimal(repr(row.lpa)).quantize(_STEP),
                on=before,
                reason="opening stock of the workspace, not kept by lot",
            )


def _loads(session: Session, scenario: Scenario) -> Iterable[tuple[Load, LoadStep]]:
    known = {load.load_id for load in loads_in(session)}
    for row in scenario.loads:
        if row.state is RowState.UNDER_WAY and row.load_id not in known and row.lpa:
            yield (
                _load(scenario, row),
                LoadStep(load_id=row.load_id, state=LoadState.DEPARTED, on=row.departs_on),
            )


def _load(scenario: Scenario, row: LoadRow) -> Load:
    lane = next(one for one in scenario.lanes if one.id == row.lane)
    liquid = next(one for one in scenario.liquids if one.id == row.liquid)
    sites = {site.id: site for site in scenario.sites}
    usable = row.usable_on or row.departs_on
    lpa = Decimal(repr(row.lpa)).quantize(_STEP)
    strength = Decimal(repr(liquid.strength_percent)).quantize(_STEP)
    part = LoadPart(
        liquid_id=row.liquid,
        lpa=lpa,
        strength_percent=strength,
        litres_20c=(100 * lpa / strength).quantize(_STEP),
        supplier_id=row.supplier,
    )
    return Load(
        load_id=row.load_id,
        lane_id=row.lane,
        origin=lane.origin,
        destination=lane.destination,
        tank_type=row.tank_type,
        market=sites[lane.destination].market,
        loading_day=row.departs_on,
        leaving_day=row.departs_on,
        arrival_day=usable,
        discharge_day=usable,
        usable_day=usable,
        parts=(part,),
    )
