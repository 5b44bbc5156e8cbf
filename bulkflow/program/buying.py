"""Buying spirit within contracts and price tiers (eqs. 4, 5)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Effect, Term
from bulkflow.program.build_context import BuildContext, supplier_node
from bulkflow.program.calendar import waits
from bulkflow.program.classes import contract_periods
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.lookup import tiers_in_force
from bulkflow.scenario.model import Contract, Supplier

__all__ = ["PurchaseColumn", "add_buying", "most_in_a_period"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PurchaseColumn:
    """LPA bought of a liquid in one price tier; prices in the workspace's currency, (T,)."""

    activity: str
    supplier: str
    liquid: str
    tier: int
    prices: FloatArray


def add_buying(context: BuildContext, builder: NetworkBuilder) -> list[PurchaseColumn]:
    """Add every supplier with its contracts."""
    columns: list[PurchaseColumn] = []
    for supplier in context.scenario.suppliers:
        builder.node(
            supplier_node(supplier.id),
            Label(f"what {supplier.id} sells", (f"suppliers[{supplier.id}]",), 4),
        )
        for number, contract in enumerate(supplier.contracts):
            columns += _add_contract(context, builder, supplier, number, contract)
    return columns


def _add_contract(
    context: BuildContext,
    builder: NetworkBuilder,
    supplier: Supplier,
    number: int,
    contract: Contract,
) -> list[PurchaseColumn]:
    open_in = contract_periods(context.periods, contract)
    if not open_in:
        return []
    name = f"buy {supplier.id}/{contract.liquid}/{number}"
    words = f"contract of {supplier.id} for {contract.liquid}"
    refs = (f"suppliers[{supplier.id}].contracts[{number}]",)
    commodity = context.classes.bought(contract.liquid, supplier.id)
    effect = Effect(supplier_node(supplier.id), context.name(commodity), 1.0)
    prices = _prices(context, supplier, contract)
    columns = []
    for tier, price in enumerate(prices):
        activity = f"{name}/tier {tier}"
        builder.add_activity(
            activity,
            Label(f"{words} (per period)", refs, 5),
            effects=[effect],
            upper=_most_per_period(context, contract, open_in),
            cost=price,
        )
        columns.append(PurchaseColumn(activity, supplier.id, contract.liquid, tier, price))
    bought = [Term("activity", column.activity) for column in columns]
    _add_quantities(context, builder, name, Label(words, refs, 5), contract, bought, open_in)
    most = most_in_a_period(context, supplier, contract) * len(open_in)
    if contract.maximum_lpa is not None:
        most = min(most, contract.maximum_lpa)
    _add_tiers(builder, name, Label(f"price tiers of the {words}", refs, 5), contract, most)
    return columns


def _most_per_period(
    context: BuildContext, contract: Contract, open_in: list[int]
) -> FloatArray | None:
    """Return the most that can be bought in each period; None for no limit anywhere."""
    limits = (contract.maximum_lpa_per_period, contract.maximum_lpa)
    most = min((one for one in limits if one is not None), default=None)
    if most is None:
        return None
    upper = context.zeros()
    upper[np.array(open_in) - 1] = most
    return upper


def _add_quantities(
    context: BuildContext,
    builder: NetworkBuilder,
    name: str,
    label: Label,
    contract: Contract,
    bought: list[Term],
    open_in: list[int],
) -> None:
    """Add minimum and maximum over the contract's periods, and the limit of each period."""
    if contract.minimum_lpa > 0 or contract.maximum_lpa is not None:
        builder.add_limit(
            f"{name}/quantity",
            Label(f"{label.words} ({_quantities(contract)})", label.refs, 5),
            bought,
            at_least=contract.minimum_lpa or None,
            at_most=contract.maximum_lpa,
            over_horizon=True,
            periods=open_in,
        )
    if contract.maximum_lpa_per_period is not None and len(bought) > 1:
        builder.add_limit(
            f"{name}/period",
            Label(
                f"{label.words} (at most {contract.maximum_lpa_per_period:,.0f} LPA a period)",
                label.refs,
                5,
            ),
            bought,
            at_most=contract.maximum_lpa_per_period,
            periods=open_in,
        )
    closed = sorted(set(context.periods.numbers()) - set(open_in))
    if closed and contract.maximum_lpa_per_period is None and contract.maximum_lpa is None:
        builder.add_limit(
            f"{name}/dates",
            Label(f"dates of the {label.words}", label.refs, 5),
            bought,
            at_most=0.0,
            over_horizon=True,
            periods=closed,
        )


def _quantities(contract: Contract) -> str:
    most = "" if contract.maximum_lpa is None else f"at most {contract.maximum_lpa:,.0f} LPA"
    least = f"at least {contract.minimum_lpa:,.0f} LPA" if contract.minimum_lpa else ""
    return ", ".join(one for one in (least, most) if one)


def _prices(context: BuildContext, supplier: Supplier, contract: Contract) -> list[FloatArray]:
    """Return the price per LPA of each tier by period, in the workspace's currency."""
    rows = [row for row in context.scenario.prices if row.supplier == supplier.id]
    stated = np.array(
        [
            [
                tier.price_per_lpa
                for tier in tiers_in_force(
                    supplier.id, contract, rows, context.periods.first_day(t)
                )
            ]
            for t in context.periods.numbers()
        ]
    )
    return list(stated.T * context.money.factors(supplier.currency))


def most_in_a_period(context: BuildContext, supplier: Supplier, contract: Contract) -> float:
    """Return the most a contract can deliver in a period: its limits, or what tanks take.

    What is sent in one period arrives in one period, or by waiting (eq. 33) in several, and must
    fit the tanks then (eq. 15).
    """
    limits = (contract.maximum_lpa, contract.maximum_lpa_per_period)
    litres = sum(
        tank.capacity_litres
        / (1.0 - lane.transit_loss_percent / 100.0)
        * max(len(waits(context.periods, one)) for one in lane.tanks)
        for lane in context.scenario.lanes
        if lane.origin == supplier.id and contract.liquid in lane.liquids
        if lane.transit_loss_percent < 100.0
        for tank in context.sites[lane.destination].tanks
        if contract.liquid in tank.liquids
    )
    taken = litres * context.lpa_per_litre(contract.liquid)
    return min(taken, *(one for one in limits if one is not None), float("inf"))


def _add_tiers(
    builder: NetworkBuilder, name: str, label: Label, contract: Contract, most: float
) -> None:
    """Limit each tier but the last to its size, and open a cheaper one only after the ones before.

    The price differences between tiers are the same in every period, so it is enough to look
    at those stated.
    """
    stated = [tier.price_per_lpa for tier in contract.tiers]
    for tier in range(len(stated) - 1):
        end = contract.tiers[tier + 1].from_lpa
        size = end - contract.tiers[tier].from_lpa
        held = Term("activity", f"{name}/tier {tier}")
        builder.add_limit(
            f"{name}/size of tier {tier}", label, [held], at_most=size, over_horizon=True
        )
        label = label.tying()
        if min(stated[tier + 1 :]) >= max(stated[: tier + 1]):
            continue  # the dearer tier is never used while a cheaper one has room
        only_once = np.zeros(builder.periods)
        only_once[0] = 1.0
        full = f"{name}/tier {tier} is full"
        builder.add_activity(full, label, upper=only_once, integer=True)
        before = [held, Term("activity", full, -size)]
        builder.add_limit(f"{full}/before", label, before, at_least=0.0, over_horizon=True)
        later = [Term("activity", f"{name}/tier {one}") for one in range(tier + 1, len(stated))]
        beyond = Term("activity", full, -max(0.0, most - end))
        builder.add_limit(f"{full}/after", label, [*later, beyond], at_most=0.0, over_horizon=True)
