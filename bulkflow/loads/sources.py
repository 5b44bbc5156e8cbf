"""What loads may draw on: released and awaiting lots, vattings of the plan, arrivals at stores.

Held and rejected lots, and lots whose decision has no date, are no source; they are told as the
reason where a load cannot be filled.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import ROUND_DOWN, Decimal

from sqlalchemy.orm import Session

from bulkflow.loads.allocating import Source, Standing
from bulkflow.loads.fills import Ways
from bulkflow.loads.gates import barred_markets, expires_on
from bulkflow.loads.queries import reserved_lpa
from bulkflow.lots.explaining import short_reasons
from bulkflow.lots.gates import LotStatus
from bulkflow.lots.queries import LotFilter, LotLine, list_lots
from bulkflow.program.answer import Plan, PlannedLoad
from bulkflow.program.calendar import Periods
from bulkflow.program.classes import Origins, markets_barring
from bulkflow.program.markets_ahead import ClassReduction
from bulkflow.scenario.model import Scenario

__all__ = ["ClosedLot", "Supplies", "floor_thousandth", "supplies_of"]

_THOUSANDTH = Decimal("0.001")
_NAME = 72  # characters of a stand-in's name; the register takes 80


@dataclass(frozen=True, slots=True)
class ClosedLot:
    """A lot that holds liquid nobody may load, and why."""

    name: str
    liquid: str
    site: str
    lpa: Decimal
    reason: str


@dataclass(frozen=True, slots=True)
class Supplies:
    """All that loads may draw on, and what they may not.

    ``reasons`` says of each awaiting lot why it is not released yet.
    """

    sources: tuple[Source, ...]
    closed: tuple[ClosedLot, ...]
    reasons: Mapping[str, str]


def floor_thousandth(lpa: float) -> Decimal:
    """Return an amount in thousandths, the rest dropped: never more than there is."""
    return Decimal(repr(lpa)).quantize(_THOUSANDTH, rounding=ROUND_DOWN)


def supplies_of(
    session: Session,
    scenario: Scenario,
    plan: Plan,
    names: Mapping[str, str],
    *,
    frozen: Iterable[str] = (),
) -> Supplies:
    """Return what the register and a plan offer to loads.

    Parameters
    ----------
    names : what the plan's loads are called in the register, by their name in the plan.
    """
    ways, origins = Ways.of(scenario), Origins(scenario)
    lines = list_lots(session, LotFilter(with_stock=True))
    taken = reserved_lpa(session)
    closed = [line for line in lines if not _offered(line)]
    waiting = [line for line in lines if line.status is LotStatus.AWAITING]
    told = short_reasons(session, [*closed, *(line for line in waiting if line not in closed)])
    sources = [
        _of_lot(line, origins, ways, taken.get(line.lot_id, Decimal(0)))
        for line in lines
        if _offered(line)
    ]
    sources += _vattings(plan, ways)
    sources += _arrivals(plan, ways, names)
    sources += _not_by_lot(scenario, ways, origins)
    kept = ClassReduction(scenario, Periods.of(scenario.calendar))
    sources = [replace(x, ahead=kept.markets_ahead(x.site, x.liquid)) for x in sources]
    return Supplies(
        tuple(_named_once(one for one in sources if one.lpa > 0)),
        tuple(
            ClosedLot(x.lot_id, x.liquid_id, x.site_id, x.lpa_left, told[x.lot_id]) for x in closed
        ),
        {line.lot_id: told[line.lot_id] for line in waiting},
    )


def _named_once(sources: Iterable[Source]) -> Iterable[Source]:
    """Give stand-ins names that are unique and short enough for the register."""
    taken: set[str] = set()
    for one in sources:
        name, number = one.name[:_NAME], 1
        while name in taken:
            number += 1
            name = f"{one.name[: _NAME - 4]} no{number}"
        taken.add(name)
        yield one if name == one.name else replace(one, name=name)


def _offered(line: LotLine) -> bool:
    dated = line.status is LotStatus.AWAITING and line.due_on is not None
    return line.status is LotStatus.RELEASED or dated


def _of_lot(line: LotLine, origins: Origins, ways: Ways, taken: Decimal) -> Source:
    liquid = ways.liquids.get(line.liquid_id)
    awaiting = line.status is LotStatus.AWAITING
    return Source(
        name=line.lot_id,
        liquid=line.liquid_id,
        site=line.site_id,
        lpa=max(Decimal(0), line.lpa_left - taken),
        strength_percent=line.strength_percent,
        standing=Standing.AWAITING if awaiting else Standing.RELEASED,
        ready=line.due_on if awaiting else None,
        made=line.made_on,
        expires=expires_on(line, None if liquid is None else liquid.shelf_life_days),
        barred=barred_markets(origins, line),
        meant=frozenset(line.markets),
    )


def _vattings(plan: Plan, ways: Ways) -> Iterable[Source]:
    for row in plan.vattings:
        if row.release_period > len(plan.period_starts) or row.lots < 1:
            continue
        made = plan.period_starts[row.period - 1]
        ready = plan.period_starts[row.release_period - 1]
        for number in range(1, row.lots + 1):
            yield _to_come(
                f"{row.liquid} vatting {made} at {row.site}/{number}",
                row.liquid,
                row.site,
                floor_thousandth(row.lpa / row.lots),
                ways,
                ready=ready,
                made=made,
                barred=markets_barring(row.origin_class),
            )


def _arrivals(plan: Plan, ways: Ways, names: Mapping[str, str]) -> Iterable[Source]:
    """Yield what loads bring to stores that loads leave from."""
    for load in plan.loads:
        if load.destination not in {other.origin for other in plan.loads}:
            continue
        share = 1.0 - ways.lanes[load.lane].transit_loss_percent / 100.0
        for liquid, lpa, barred in _carried(load):
            yield _to_come(
                f"arrival of {names.get(load.load_id, load.load_id)} {liquid}",
                liquid,
                load.destination,
                floor_thousandth(lpa * share),
                ways,
                ready=load.usable_day,
                made=load.loading_day,
                barred=barred,
            )


def _carried(load: PlannedLoad) -> Iterable[tuple[str, float, frozenset[str]]]:
    for liquid in dict.fromkeys(part.liquid for part in load.parts):
        parts = [part for part in load.parts if part.liquid == liquid]
        barred = frozenset[str]().union(*(markets_barring(one.origin_class) for one in parts))
        yield liquid, sum(part.lpa for part in parts), barred


def _not_by_lot(scenario: Scenario, ways: Ways, origins: Origins) -> Iterable[Source]:
    for row in scenario.opening_stock:
        yield _to_come(
            f"stock of {row.liquid} at {row.site} (not kept by lot)",
            row.liquid,
            row.site,
            floor_thousandth(row.lpa),
            ways,
            ready=None,
            made=scenario.calendar.start,
            barred=markets_barring(origins.of_stock(row).origin_class),
        )


def _to_come(
    name: str,
    liquid_id: str,
    site: str,
    lpa: Decimal,
    ways: Ways,
    *,
    ready: date | None,
    made: date,
    barred: frozenset[str],
) -> Source:
    liquid = ways.liquids[liquid_id]
    life = liquid.shelf_life_days
    return Source(
        name=name,
        liquid=liquid_id,
        site=site,
        lpa=lpa,
        strength_percent=Decimal(repr(liquid.strength_percent)).quantize(_THOUSANDTH),
        standing=Standing.TO_COME,
        ready=ready,
        made=made,
        expires=None if life is None else made + timedelta(days=life),
        barred=barred,
    )
