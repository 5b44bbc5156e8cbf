"""Short ways to lots, loads, gaugings and bottlings for the tests."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from bulkflow.account.acts import bottle
from bulkflow.account.bodies import (
    Bottling,
    BottlingSource,
    CodeRange,
    Entry,
    Gauging,
    Side,
)
from bulkflow.account.journey import receive
from bulkflow.loads.acts import record_loads
from bulkflow.loads.bodies import Load, LoadPart, LoadState, LoadStep, LotShare
from bulkflow.loads.tables import LOAD_STEP
from bulkflow.lots.acts import record_lots
from bulkflow.lots.bodies import Draw, Lot, Origin, Outcome, Parent
from bulkflow.lots.deciding import decide
from bulkflow.lots.draws import draw_into_load
from bulkflow.lots.evidence import Evidence
from bulkflow.lots.measuring import Readings, measure
from bulkflow.records.chain import append

D = Decimal
STILL, DEPOT, NORTH = "still", "depot", "north"


def a_lot(session, name, lpa="10000", *, liquid="dry", site=STILL, parents=(), on=None, **fields):
    """Record a lot of 50 % vol and release it."""
    readings = Readings(strength_percent=D(50), volume_litres=D(lpa) * 2)
    lot = Lot(
        lot_id=name,
        liquid_id=liquid,
        origin=fields.pop("origin", Origin.MADE if parents else Origin.RECEIVED),
        made_on=on or date(2027, 1, 4),
        site_id=site,
        measurement=measure(readings),
        parents=tuple(Parent(lot_id=n, lpa=D(lpa)) for n, lpa in dict(parents).items()),
        **fields,
    )
    return record_lots(session, [lot])[0]


def release(session, name, outcome="release"):
    """Release a lot as one from before the register."""
    evidence = Evidence.model_validate(
        {
            "lot_id": name,
            "outcome": outcome,
            "decided_by": "opening",
            "decided_on": date(2027, 1, 4),
            "summary": "as listed",
            "source": {"table": "test"},
        }
    )
    return decide(session, lot_id=name, outcome=Outcome(outcome), reason="test", evidence=evidence)


def a_load(session, name, shares, *, to=NORTH, frm=STILL, liquid="dry", leaves=date(2027, 1, 8)):
    """Record a load that departed, its LPA drawn from released lots."""
    parts = (
        LoadPart(
            liquid_id=liquid,
            lpa=sum(map(D, shares.values())),
            strength_percent=D(50),
            litres_20c=2 * sum(map(D, shares.values())),
            shares=tuple(
                LotShare(lot_id=lot, lpa=D(lpa), strength_percent=D(50))
                for lot, lpa in shares.items()
            ),
        ),
    )
    draw_into_load(
        session,
        [Draw(lot_id=lot, load_id=name, lpa=D(lpa), on=leaves) for lot, lpa in shares.items()],
    )
    return _departed(session, name, parts, to, frm, leaves)


def a_load_under_way(session, name, lpa, *, liquid="dry", to=NORTH, frm=STILL,
                     leaves=date(2027, 1, 8), lane="lane"):  # fmt: skip
    """Record a load that was under way when the register began."""
    part = LoadPart(liquid_id=liquid, lpa=D(lpa), strength_percent=D(50), litres_20c=2 * D(lpa))
    return _departed(session, name, (part,), to, frm, leaves, lane)


def two_liquids_under_way(session, name, lpa):
    """Record a load of two liquids, by LPA of each, under way when the register began."""
    parts = tuple(
        LoadPart(liquid_id=liquid, lpa=D(one), strength_percent=D(50), litres_20c=2 * D(one))
        for liquid, one in lpa.items()
    )
    return _departed(session, name, parts, NORTH, STILL, date(2027, 1, 8))


def _departed(session, name, parts, to, frm, leaves, lane="lane"):
    load = Load(
        load_id=name,
        lane_id=lane,
        origin=frm,
        destination=to,
        tank_type="T",
        loading_day=leaves,
        leaving_day=leaves,
        arrival_day=date(2027, 1, 20),
        discharge_day=date(2027, 1, 22),
        usable_day=date(2027, 1, 22),
        parts=parts,
    )
    step = LoadStep(load_id=name, state=LoadState.DEPARTED, on=leaves)
    return record_loads(session, [(load, step)])


def later(session, name, state, on):
    """Append a step without asking whether it is legal."""
    return append(session, LOAD_STEP, LoadStep(load_id=name, state=LoadState(state), on=on))


def a_gauging(load, lpa, *, liquid="dry", side=Side.RECEIPT, site=NORTH, on=date(2027, 1, 22),
              u="10", **fields):  # fmt: skip
    """Return a gauging of stated LPA, whose readings nobody looks at."""
    fields.setdefault("reason", "as the test has it")
    return Gauging(
        load_id=load,
        liquid_id=liquid,
        side=side,
        on=on,
        site_id=site,
        quantity_by="dip",
        volume=fields.pop("volume", 2 * D(lpa)),
        volume_unit="L",
        strength_by="stated",
        strength_reading=D(50),
        temperature=D(20),
        quantity_limit=D(20),
        strength_limit=D("0.1"),
        temperature_limit=D("0.3"),
        strength_percent=D(50),
        litres_20c=2 * D(lpa),
        mass_kg=2 * D(lpa),
        lpa=D(lpa),
        lpa_uncertainty=D(u),
        rounding="nearest-0.001",
        **fields,
    )


def received(session, load, lpa, **fields):
    return receive(session, [a_gauging(load, lpa, **fields)])


def a_bottling(name, sources, *, site=NORTH, on=date(2027, 1, 29), bottled=None, codes=(),
               liquid="dry"):  # fmt: skip
    """Return a bottling; sources are (kind, name, lpa)."""
    taken = sum(D(lpa) for _, _, lpa in sources)
    return Bottling(
        bottling_id=name,
        site_id=site,
        product_id="DRY-700",
        on=on,
        sources=tuple(
            BottlingSource(kind=kind, source_id=source, liquid_id=liquid, lpa=D(lpa))
            for kind, source, lpa in sources
        ),
        cases=100,
        bottles_per_case=6,
        bottle_ml=D(700),
        strength_percent=D(41),
        lpa_bottled=D(bottled) if bottled else taken,
        codes=tuple(CodeRange(first=first, last=last) for first, last in codes),
    )


def bottled(session, name, sources, **fields):
    return bottle(session, [a_bottling(name, sources, **fields)])


def an_entry(lpa, kind="taken over", *, site=NORTH, liquid="dry", on=date(2027, 1, 3), **fields):
    return Entry(
        **{
            "site_id": site, "liquid_id": liquid, "kind": kind, "lpa": D(lpa), "on": on,
            "reason": "test", "measured_again": True, **fields,
        }
    )  # fmt: skip
