"""From which period a commodity can be at a site at all, no matter how much (eq. 16)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import product

from bulkflow.plan.checks.position import Commodity, Position
from bulkflow.plan.checks.takers import somebody_takes
from bulkflow.scenario.model import LoadState, Recipe, Site

__all__ = ["first_held", "first_usable"]

First = dict[Commodity, int]
Found = Iterator[tuple[Commodity, int, bool]]
"""Commodity, period, and whether it can be used then (else it is only in the tank)."""


def first_held(position: Position) -> First:
    """Return the first period in which each commodity can stand at a place; 0 for the opening."""
    return _first(position, even_barred=False)[0]


def first_usable(position: Position) -> First:
    """Return the first period in which each commodity can be used or sent; 0 for the opening.

    What nobody at a site or beyond may take is followed there too: to say why it helps nobody.
    """
    return _first(position, even_barred=True)[1]


def _first(position: Position, *, even_barred: bool) -> tuple[First, First]:
    held, usable = _openings(position)
    for commodity, period in _given_loads(position, checked=True):
        held[commodity] = min(period, held.get(commodity, period))
    by_lane = partial(_by_lane, even_barred=even_barred)
    ways: tuple[Callable[[Position, First], Found], ...] = (by_lane, _by_still, _by_let_down)
    settled = False
    while not settled:  # each round brings something nearer, and periods have a least
        settled = True
        for way in ways:
            for commodity, period, ready in list(way(position, usable)):
                for table in (held, usable) if ready else (held,):
                    if period < table.get(commodity, position.days.count + 1):
                        table[commodity] = period
                        settled = False
    return held, usable


def _openings(position: Position) -> tuple[First, First]:
    """Return what can stand, and what can be used, without anything being moved or made."""
    usable: First = {}
    found = (*_in_stock(position), *_given_loads(position), *_on_offer(position))
    for commodity, period in found:
        usable[commodity] = min(period, usable.get(commodity, period))
    return dict(usable), usable


def _in_stock(position: Position) -> Iterator[tuple[Commodity, int]]:
    for (commodity, _), lpa in position.opening.items():
        if lpa > 0:
            yield commodity, 0
    yield from position.lots_released


def _given_loads(position: Position, *, checked: bool = False) -> Iterator[tuple[Commodity, int]]:
    """Yield loads that come as given, and when they can be used (or are received: checked)."""
    for row in position.scenario.loads:
        lane = position.lanes[row.lane]
        days = position.days.of_row(lane, row)
        if row.state is LoadState.PROMISED or days is None:
            continue
        supplier = row.supplier
        if supplier is None and lane.origin in position.suppliers:
            supplier = lane.origin
        barring = position.classes.of_bought(row.liquid, supplier)
        ready = days.usable_period
        if checked:
            received = position.days.received_on(
                lane.destination, row.liquid, days.discharge, days.usable
            )
            ready = position.days.first_starting_on_or_after(received)
        yield position.kept(lane.destination, row.liquid, barring), ready


def _on_offer(position: Position) -> Iterator[tuple[Commodity, int]]:
    for supplier in position.scenario.suppliers:
        for contract in supplier.contracts:
            barring = position.classes.of_bought(contract.liquid, supplier.id)
            for period in position.periods:
                day = position.days.first(period)
                begun = contract.first_day is None or contract.first_day <= day
                if begun and (contract.last_day is None or day <= contract.last_day):
                    yield position.kept(supplier.id, contract.liquid, barring), period


def _by_lane(position: Position, usable: First, *, even_barred: bool) -> Found:
    for lane in position.scenario.lanes:
        for (place, liquid, barring), first in usable.items():
            if place != lane.origin or liquid not in lane.liquids:
                continue
            if not (even_barred or somebody_takes(position, lane.destination, liquid, barring)):
                continue
            days = [position.days.of_lane(lane, period, liquid) for period in position.periods
                    if period >= first]  # fmt: skip
            arrivals = [one.usable_period for one in days if one is not None]
            there = position.kept(lane.destination, liquid, barring)
            if arrivals:
                yield there, min(arrivals), True
            if position.days.arrival_check_days(lane.destination, liquid):
                for one in days:
                    if one is not None:
                        yield there, position.days.first_starting_on_or_after(one.discharge), False


def _by_still(position: Position, usable: First) -> Found:
    for site in position.scenario.sites:
        for name in {recipe for still in site.stills for recipe in still.recipes}:
            recipe = position.recipes[name]
            for barring, start in _mixtures(site, recipe, usable):
                vats = site.release is not None
                made = position.days.hearts_enter(start, recipe.days_to_vat, vats=vats)
                makes = position.kept(site.id, recipe.makes, barring)
                yield from _into_stock(position, site, makes, made)
                if recipe.feints_liquid and recipe.feints_percent_of_lpa:
                    feints = position.kept(site.id, recipe.feints_liquid, barring)
                    yield feints, start, False
                    yield feints, start + 1, True


def _by_let_down(position: Position, usable: First) -> Found:
    for recipe in position.scenario.recipes:
        if recipe.method != "let_down":
            continue
        for site_id in recipe.sites:
            site = position.sites[site_id]
            for barring, start in _mixtures(site, recipe, usable):
                makes = position.kept(site.id, recipe.makes, barring)
                yield from _into_stock(position, site, makes, start + int(bool(site.release)))


def _into_stock(position: Position, site: Site, commodity: Commodity, made: int) -> Found:
    """Yield when a made liquid stands in the tank and when it can be loaded or used."""
    yield commodity, made, False
    usable = made + 1  # what is made in a period is used from the next on
    if site.release is not None:
        into = position.days_into(site, commodity[1])
        usable = position.days.released(made, into, site.release.lag_days)
    yield commodity, usable, True


def _mixtures(site: Site, recipe: Recipe, usable: First) -> Iterator[tuple[frozenset[str], int]]:
    """Yield each class a recipe can make at a site, and the first period in which it can."""
    ready = [
        [(barring, first) for (place, liquid, barring), first in usable.items()
         if place == site.id and liquid == one.liquid]
        for one in recipe.inputs
    ]  # fmt: skip
    for choice in product(*ready):
        barring = frozenset().union(*(one for one, _ in choice))
        yield barring, max(1, *(first for _, first in choice))
