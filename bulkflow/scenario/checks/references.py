"""Ids that name nothing, ids that name two things, and rows given twice."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator

from bulkflow.scenario.draft import ID_FIELDS, Draft, known_mend
from bulkflow.scenario.model import (
    Authority,
    DemandRow,
    ExchangeRateRow,
    Fleet,
    Guarantee,
    IssuedLoadRow,
    Lane,
    Liquid,
    LoadRow,
    Lot,
    Market,
    OpeningStockRow,
    PriceRow,
    Priority,
    Product,
    Recipe,
    Site,
    StockPolicy,
    Supplier,
    TankType,
)

__all__ = ["check_identity", "check_references"]


def check_references(draft: Draft) -> None:
    """Every id that is referred to must exist."""
    _making(draft)
    _sites(draft)
    _lanes(draft)
    _demand(draft)
    _position(draft)


def _each(draft: Draft, path: str, ids: Iterable[str], model: type[Liquid | Recipe | Site]) -> None:
    for index, wanted in enumerate(ids):
        draft.refer(f"{path}[{index}]", wanted, model)


def _making(draft: Draft) -> None:
    for path, recipe in draft.each(Recipe):
        draft.refer(f"{path}.makes", recipe.makes, Liquid)
        draft.refer(f"{path}.feints_liquid", recipe.feints_liquid, Liquid)
        for index, part in enumerate(recipe.inputs):
            draft.refer(f"{path}.inputs[{index}].liquid", part.liquid, Liquid)
        _each(draft, f"{path}.sites", recipe.sites, Site)
    for path, supplier in draft.each(Supplier):
        for index, contract in enumerate(supplier.contracts):
            draft.refer(f"{path}.contracts[{index}].liquid", contract.liquid, Liquid)


def _sites(draft: Draft) -> None:
    for path, site in draft.each(Site):
        draft.refer(f"{path}.market", site.market, Market)
        draft.refer(f"{path}.authority", site.authority, Authority)
        draft.refer(f"{path}.storage_guarantee", site.storage_guarantee, Guarantee)
        for index, tank in enumerate(site.tanks):
            _each(draft, f"{path}.tanks[{index}].liquids", tank.liquids, Liquid)
        for index, check in enumerate(site.arrival_checks):
            draft.refer(f"{path}.arrival_checks[{index}].liquid", check.liquid, Liquid)
        for index, still in enumerate(site.stills):
            _each(draft, f"{path}.stills[{index}].recipes", still.recipes, Recipe)
            draft.refer(f"{path}.stills[{index}].last_recipe", still.last_recipe, Recipe)


def _lanes(draft: Draft) -> None:
    for path, lane in draft.each(Lane):
        draft.refer(f"{path}.origin", lane.origin, Supplier, Site)
        draft.refer(f"{path}.destination", lane.destination, Site)
        _each(draft, f"{path}.liquids", lane.liquids, Liquid)
        for index, tank in enumerate(lane.tanks):
            draft.refer(f"{path}.tanks[{index}].tank_type", tank.tank_type, TankType)
            draft.refer(f"{path}.tanks[{index}].fleet", tank.fleet, Fleet)
        for index, leg in enumerate(lane.legs):
            draft.refer(f"{path}.legs[{index}].authority", leg.authority, Authority)
            draft.refer(f"{path}.legs[{index}].guarantee", leg.guarantee, Guarantee)


def _demand(draft: Draft) -> None:
    for path, market in draft.each(Market):
        for index, supplier in enumerate(market.barred_suppliers):
            draft.refer(f"{path}.barred_suppliers[{index}]", supplier, Supplier)
    for path, product in draft.each(Product):
        draft.refer(f"{path}.liquid", product.liquid, Liquid)
    for path, policy in draft.each(StockPolicy):
        draft.refer(f"{path}.site", policy.site, Site)
        draft.refer(f"{path}.liquid", policy.liquid, Liquid)
    for path, row in draft.each(DemandRow):
        draft.refer(f"{path}.site", row.site, Site)
        draft.refer(f"{path}.liquid", row.liquid, Liquid)
        draft.refer(f"{path}.product", row.product, Product)
        draft.refer(f"{path}.market", row.market, Market)
        draft.refer(f"{path}.priority", row.priority, Priority)


def _position(draft: Draft) -> None:
    sites = draft.by_id(Site)
    for path, lot in draft.each(Lot):
        draft.refer(f"{path}.liquid", lot.liquid, Liquid)
        draft.refer(f"{path}.site", lot.site, Site)
        draft.refer(f"{path}.supplier", lot.supplier, Supplier)
        for market in lot.restrictions:
            draft.refer(f"{path}.restrictions", market, Market)
        tanks = sorted({tank.id for tank in sites[lot.site].tanks}) if lot.site in sites else []
        if lot.tank is not None and lot.site in sites and lot.tank not in tanks:
            found = f"is {lot.tank!r}, which is no tank of {lot.site}"
            draft.add(f"{path}.tank", found, known_mend(lot.tank, tanks, "tank"))
    for path, stock in draft.each(OpeningStockRow):
        draft.refer(f"{path}.liquid", stock.liquid, Liquid)
        draft.refer(f"{path}.site", stock.site, Site)
        draft.refer(f"{path}.supplier", stock.supplier, Supplier)
    for path, price in draft.each(PriceRow):
        draft.refer(f"{path}.supplier", price.supplier, Supplier)
        draft.refer(f"{path}.liquid", price.liquid, Liquid)
    for path, load in draft.each(LoadRow):
        draft.refer(f"{path}.supplier", load.supplier, Supplier)
        draft.refer(f"{path}.in_tank_of", load.in_tank_of, LoadRow)
        _load(draft, path, load)
    for path, issued in draft.each(IssuedLoadRow):
        _load(draft, path, issued)


def _load(draft: Draft, path: str, row: LoadRow | IssuedLoadRow) -> None:
    draft.refer(f"{path}.lane", row.lane, Lane)
    draft.refer(f"{path}.liquid", row.liquid, Liquid)
    draft.refer(f"{path}.tank_type", row.tank_type, TankType)


def check_identity(draft: Draft) -> None:
    """No id may name two things, no row may be given twice."""
    for collection, id_field in ID_FIELDS.items():
        seen = _Seen(draft)
        for index, record in draft.records.get(collection, {}).items():
            seen.check(f"{collection}[{index}].{id_field}", getattr(record, id_field))
    _places_share_names(draft)
    _inside_sites(draft)
    _inside_others(draft)
    _rows(draft)


class _Seen:
    """Notes a fault for the second of two equal things."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.first: dict[Hashable, str] = {}

    def check(self, path: str, key: Hashable, shown: str | None = None) -> None:
        if key not in self.first:
            self.first[key] = path
            return
        place = self.draft.sources.place(self.first[key])
        said = shown if shown is not None else f"is {key!r}, which is given"
        found = f"{said} in line {place.line} already"
        self.draft.add(path, found, "Keep one of the two, or correct one.")


def _places_share_names(draft: Draft) -> None:
    suppliers = draft.by_id(Supplier)
    for path, site in draft.each(Site):
        if site.id in suppliers:
            place = draft.sources.record("suppliers", site.id)
            found = f"is {site.id!r}, the id of a supplier in line {place.line}"
            draft.add(f"{path}.id", found, "Lanes start from either; give each its own id.")


def _inside_sites(draft: Draft) -> None:
    stills = _Seen(draft)
    for path, site in draft.each(Site):
        tanks = _Seen(draft)
        for index, tank in enumerate(site.tanks):
            tanks.check(f"{path}.tanks[{index}].id", tank.id)
            _items(draft, f"{path}.tanks[{index}].liquids", tank.liquids)
        checks = _Seen(draft)
        for index, check in enumerate(site.arrival_checks):
            checks.check(f"{path}.arrival_checks[{index}].liquid", check.liquid or "every other")
        for index, still in enumerate(site.stills):
            stills.check(f"{path}.stills[{index}].id", still.id)
            _items(draft, f"{path}.stills[{index}].recipes", still.recipes)


def _inside_others(draft: Draft) -> None:
    for path, lane in draft.each(Lane):
        _items(draft, f"{path}.liquids", lane.liquids)
        seen = _Seen(draft)
        for index, tank in enumerate(lane.tanks):
            seen.check(f"{path}.tanks[{index}].tank_type", tank.tank_type)
    for path, recipe in draft.each(Recipe):
        seen = _Seen(draft)
        for index, part in enumerate(recipe.inputs):
            seen.check(f"{path}.inputs[{index}].liquid", part.liquid)
        _items(draft, f"{path}.sites", recipe.sites)
    for path, authority in draft.each(Authority):
        seen = _Seen(draft)
        for index, rate in enumerate(authority.rates):
            day = rate.first_day.isoformat()
            seen.check(f"{path}.rates[{index}].first_day", day)


def _items(draft: Draft, path: str, items: Iterable[str]) -> None:
    seen = _Seen(draft)
    for index, item in enumerate(items):
        seen.check(f"{path}[{index}]", item)


def _rows(draft: Draft) -> None:
    for keys in (
        _policies(draft),
        _demand_rows(draft),
        _stock_rows(draft),
        _price_rows(draft),
        _rate_rows(draft),
        _issued_rows(draft),
    ):
        seen = _Seen(draft)
        for path, key, what in keys:
            seen.check(path, key, f"repeats the row of {what}")


_Keys = Iterator[tuple[str, Hashable, str]]


def _policies(draft: Draft) -> _Keys:
    for path, row in draft.each(StockPolicy):
        yield path, (row.site, row.liquid), f"{row.site} and {row.liquid}"


def _demand_rows(draft: Draft) -> _Keys:
    own_market = {one.id: one.market for _, one in draft.each(Site)}
    first = next((one.id for _, one in draft.each(Priority)), None)
    for path, row in draft.each(DemandRow):
        market = row.market or own_market.get(row.site)
        priority = row.priority or first
        key = (row.site, row.period_start, row.liquid, row.product, market, priority)
        what = f"{row.site}, {row.period_start} and {row.liquid or row.product}"
        yield f"{path}.period_start", key, what


def _stock_rows(draft: Draft) -> _Keys:
    for path, row in draft.each(OpeningStockRow):
        yield f"{path}.site", (row.site, row.liquid, row.supplier), f"{row.site} and {row.liquid}"


def _price_rows(draft: Draft) -> _Keys:
    for path, row in draft.each(PriceRow):
        key = (row.supplier, row.liquid, row.first_day)
        yield f"{path}.first_day", key, f"{row.supplier}, {row.liquid} and {row.first_day}"


def _rate_rows(draft: Draft) -> _Keys:
    for path, row in draft.each(ExchangeRateRow):
        key = (row.currency, row.first_day)
        yield f"{path}.first_day", key, f"{row.currency} and {row.first_day}"


def _issued_rows(draft: Draft) -> _Keys:
    for path, row in draft.each(IssuedLoadRow):
        key = (row.lane, row.liquid, row.tank_type, row.period_start)
        what = f"{row.lane}, {row.liquid}, {row.tank_type} and {row.period_start}"
        yield f"{path}.period_start", key, what
