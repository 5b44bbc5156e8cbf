"""Contracts and closing targets that have no room, or that nobody needs.

Amounts are bounds on the generous side, worked out without a plan: what a site can take of a
liquid is what its demand, its tanks, the sites beyond it and its recipes can take of it at most. So
what is said to have no room has none.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf

from bulkflow.plan.checks.asked import in_all, mean_use
from bulkflow.plan.checks.position import Position
from bulkflow.plan.finding import Finding
from bulkflow.plan.precheck_loads import least_load_lpa
from bulkflow.scenario.model import Contract, Lane, Recipe, Site, Supplier

__all__ = ["supply_findings"]


def supply_findings(position: Position) -> Iterator[Finding]:
    """Yield contracts and closing targets that cannot be met, or only at a price."""
    for supplier in position.scenario.suppliers:
        for contract in supplier.contracts:
            lanes = [one for one in position.scenario.lanes
                     if one.origin == supplier.id and contract.liquid in one.liquids]  # fmt: skip
            yield from _below_a_load(position, supplier, contract, lanes)
            yield from _minimum(position, supplier, contract, lanes)
    yield from _closing_targets(position)


def _below_a_load(
    position: Position, supplier: Supplier, contract: Contract, lanes: list[Lane]
) -> Iterator[Finding]:
    least = [one for lane in lanes
             if (one := least_load_lpa(position, lane, contract.liquid)) is not None]  # fmt: skip
    for most, when in (
        (contract.maximum_lpa, ""),
        (contract.maximum_lpa_per_period, " in a period"),
    ):
        if most is not None and least and most < min(least):
            yield Finding(
                "warns",
                f"Nothing can be bought of {contract.liquid} from {supplier.id}: the contract"
                f" allows at most {most:,.0f} LPA{when}, and the least load on its lanes is"
                f" {min(least):,.0f} LPA. Raise the maximum, or give its lanes a smaller tank.",
                (f"suppliers[{supplier.id}]", *(f"lanes[{lane.id}]" for lane in lanes)),
            )
            return


def _minimum(
    position: Position, supplier: Supplier, contract: Contract, lanes: list[Lane]
) -> Iterator[Finding]:
    """Minima for which there is no room, or which are more than anybody needs."""
    least, liquid = contract.minimum_lpa, contract.liquid
    if least <= 0 or not lanes:
        return
    sites = sorted({lane.destination for lane in lanes})
    on_hand = sum(lpa for ((site, what, _), _), lpa in position.opening.items()
                  if site in sites and what == liquid)  # fmt: skip
    lost = max(lane.transit_loss_percent for lane in lanes) / 100.0
    kept = max(1e-9, 1.0 - lost)
    room, need = (
        max(0.0, sum(taken.at(site, liquid) for site in sites) - on_hand) / kept
        for taken in (_Taken(position, rooms=True), _Taken(position, rooms=False))
    )
    head = f"The contract with {supplier.id} asks for at least {least:,.0f} LPA of {liquid}"
    records = (f"suppliers[{supplier.id}]", *(f"sites[{site}]" for site in sites))
    if least > room * (1 + 1e-6) + 1.0:
        yield Finding(
            "blocks",
            f"{head}, but tanks, stills and demand can take at most {room:,.0f} LPA of it by the"
            " end of the horizon. Lower the minimum, lengthen the horizon, or add tanks.",
            records,
        )
    elif least > need * (1 + 1e-6) + 1.0:
        day = position.days.first(1)
        price = min(position.money.tier_price(supplier.id, contract, tier, day)
                    for tier in range(len(contract.tiers)))  # fmt: skip
        yield Finding(
            "warns",
            f"{head}; all demand and closing targets of the horizon can use at most {need:,.0f} LPA"
            f" of it. The other {least - need:,.0f} LPA, for {(least - need) * price:,.0f}"
            f" {position.scenario.currency} or more, are bought because of the minimum alone.",
            records,
        )


def _closing_targets(position: Position) -> Iterator[Finding]:
    """Targets above what may stand at a site and be on the way to it at the end (eq. 15)."""
    for policy in position.scenario.stock_policies:
        site = position.sites[policy.site]
        most = _room(position, site, policy.liquid) + _on_the_way(position, site, policy.liquid)
        if policy.closing_lpa > most * (1 + 1e-9):
            yield Finding(
                "warns",
                f"The closing target of {policy.liquid} at {site.id} is {policy.closing_lpa:,.0f}"
                f" LPA, but its tanks, and what will be used before later loads arrive, leave room"
                f" for {most:,.0f} LPA. Lower the target, or add tanks.",
                (f"sites[{site.id}]", f"liquids[{policy.liquid}]"),
            )


def _room(position: Position, site: Site, liquid: str) -> float:
    litres = sum(tank.capacity_litres for tank in site.tanks if liquid in tank.liquids)
    return litres * position.liquids[liquid].strength_percent / 100.0


def _on_the_way(position: Position, site: Site, liquid: str) -> float:
    """Return the LPA that may be on the way at the end beyond the room, for its use till then."""
    leads = [
        days.usable_period - period
        for lane in position.scenario.lanes
        if lane.destination == site.id and liquid in lane.liquids
        for period in position.periods
        if (days := position.days.of_lane(lane, period, liquid)) is not None
    ]
    further = max(leads, default=0) - 1
    return further * mean_use(position, site.id, liquid) if further > 0 else 0.0


@dataclass(slots=True)
class _Taken:
    """The most LPA of a liquid that a site can take over the horizon.

    Parameters
    ----------
    rooms : whether what fills tanks counts, and what stills take for no demand's sake at the end;
        else only what demand and closing targets need.
    """

    position: Position
    rooms: bool
    way: list[tuple[str, str]] = field(default_factory=list)

    def at(self, site_id: str, liquid: str) -> float:
        """Return the most that one site can take, here and beyond."""
        if (site_id, liquid) in self.way:
            return 0.0
        self.way.append((site_id, liquid))
        position, site = self.position, self.position.sites[site_id]
        taken = in_all(position).get((site_id, liquid), 0.0)
        if self.rooms:
            taken += _room(position, site, liquid) + _on_the_way(position, site, liquid)
            if site.feints_sale_price_per_lpa is not None:
                taken += inf if position.liquids[liquid].kind == "feints" else 0.0
        else:
            taken += sum(one.closing_lpa for one in position.scenario.stock_policies
                         if (one.site, one.liquid) == (site_id, liquid))  # fmt: skip
        for lane in position.scenario.lanes:
            if lane.origin == site_id and liquid in lane.liquids:
                kept = 1.0 - lane.transit_loss_percent / 100.0
                beyond = self.at(lane.destination, liquid)
                taken += beyond / kept if kept > 0 else inf
        for recipe in position.scenario.recipes:
            share = sum(one.share_percent_of_lpa for one in recipe.inputs if one.liquid == liquid)
            if share:
                taken += self._by_recipe(site, recipe, share / 100.0)
        self.way.pop()
        return taken

    def _by_recipe(self, site: Site, recipe: Recipe, share: float) -> float:
        """Return the most of an input that a recipe run at a site can take."""
        position, days = self.position, self.position.days
        if recipe.method == "let_down":
            if site.id not in recipe.sites:
                return 0.0
            left = 1.0 - recipe.loss_percent / 100.0
            each = recipe.maximum_lpa_per_period
            most = inf if each is None else each * days.count / left
            return share * min(most, self.at(site.id, recipe.makes) / left)
        vats = site.release is not None
        strength = (recipe.charge_strength_percent or 0.0) / 100.0
        charged = {
            period: sum(
                still.charge_litres * strength * still.hours_per_period / still.hours_per_charge
                for still in site.stills
                if recipe.id in still.recipes
            )
            for period in position.periods
        }
        late = sum(
            lpa
            for period, lpa in charged.items()
            if days.hearts_enter(period, recipe.days_to_vat, vats=vats) > days.count
        )
        hearts = (recipe.hearts_percent_of_lpa or 0.0) / 100.0
        wanted = self.at(site.id, recipe.makes) / hearts if hearts > 0 else inf
        if not self.rooms and hearts == 0:
            wanted = 0.0
        return share * min(sum(charged.values()), wanted + (late if self.rooms else 0.0))
