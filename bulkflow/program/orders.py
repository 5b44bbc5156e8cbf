"""The least size of an order (eq. 31): what is bought of a contract in a period, if anything is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bulkflow.core.network import Term
from bulkflow.program.build_context import BuildContext
from bulkflow.program.buying import PurchaseColumn, most_in_a_period
from bulkflow.program.classes import contract_periods
from bulkflow.program.fleets import count_terms
from bulkflow.program.loads import FixedLoad, LoadBook
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.scenario.model import Contract, Supplier
from bulkflow.wording import counted

__all__ = ["OrderColumn", "add_orders"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OrderColumn:
    """Whether anything is ordered of a contract, by period: a binary activity of the core."""

    activity: str
    supplier: str
    liquid: str


def add_orders(
    context: BuildContext, builder: NetworkBuilder, purchases: list[PurchaseColumn], loads: LoadBook
) -> list[OrderColumn]:
    """Add the least order of every contract that has one."""
    return [
        _add_order(context, builder, purchases, loads, supplier, number)
        for supplier in context.scenario.suppliers
        for number, contract in enumerate(supplier.contracts)
        if contract.minimum_lpa_per_order or contract.minimum_loads_per_order
        if contract_periods(context.periods, contract)
    ]


def _add_order(
    context: BuildContext,
    builder: NetworkBuilder,
    purchases: list[PurchaseColumn],
    loads: LoadBook,
    supplier: Supplier,
    number: int,
) -> OrderColumn:
    contract = supplier.contracts[number]
    words = f"least order of {contract.liquid} from {supplier.id} ({_least_words(contract)})"
    label = Label(words, (f"suppliers[{supplier.id}].contracts[{number}]",), 31)
    open_in = contract_periods(context.periods, contract)
    may_order = context.zeros()
    may_order[np.array(open_in) - 1] = 1.0
    name = f"order {supplier.id}/{contract.liquid}/{number}"
    builder.add_activity(name, label.tying(), upper=may_order, integer=True)
    bought = [
        Term("activity", column.activity)
        for column in purchases
        if (column.supplier, column.liquid) == (supplier.id, contract.liquid)
    ]
    given = [one for one in loads.fixed if _is_order(one, supplier, contract)]
    builder.add_limit(
        f"{name}/any",
        label.tying(),
        [*bought, Term("activity", name, -most_in_a_period(context, supplier, contract))],
        at_most=_by_period(context, given, lpa=True),
        periods=open_in,
    )
    if contract.minimum_lpa_per_order:
        builder.add_limit(
            f"{name}/least LPA",
            label,
            [*bought, Term("activity", name, -contract.minimum_lpa_per_order)],
            at_least=0.0,
            periods=open_in,
        )
    if contract.minimum_loads_per_order:
        builder.add_limit(
            f"{name}/least loads",
            label,
            [
                *_load_terms(context, loads, supplier, contract.liquid),
                Term("activity", name, -float(contract.minimum_loads_per_order)),
            ],
            at_least=-_by_period(context, given, lpa=False),
            periods=open_in,
        )
    return OrderColumn(name, supplier.id, contract.liquid)


def _least_words(contract: Contract) -> str:
    least = []
    if contract.minimum_lpa_per_order:
        least.append(f"{contract.minimum_lpa_per_order:,.0f} LPA")
    if contract.minimum_loads_per_order:
        least.append(counted(contract.minimum_loads_per_order, "load"))
    return ", ".join(least)


def _is_order(one: FixedLoad, supplier: Supplier, contract: Contract) -> bool:
    return (
        one.period >= 1
        and one.lane.origin == supplier.id
        and one.commodity.liquid == contract.liquid
    )


def _by_period(context: BuildContext, given: list[FixedLoad], *, lpa: bool) -> FloatArray:
    """Return the LPA, or the number, of frozen loads by period of sending, (T,)."""
    found = context.zeros()
    for one in given:
        found[one.period - 1] += one.lpa if lpa else 1.0
    return found


def _load_terms(
    context: BuildContext, loads: LoadBook, supplier: Supplier, liquid: str
) -> list[Term]:
    """Count loads of a liquid from a supplier; of compartmented tanks all on its lanes."""
    return [
        term
        for lane in context.scenario.lanes
        if lane.origin == supplier.id and liquid in lane.liquids
        for tank in lane.tanks
        for term in count_terms(loads, lane.id, tank.tank_type, liquid)
    ]
