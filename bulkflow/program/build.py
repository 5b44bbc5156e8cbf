"""A scenario turned into a network of the core, with the way back.

Each family of rules is a module of its own; this one says in which order they are laid down. The
meaning of every rule is in this package's README.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bulkflow.core.network import Network
from bulkflow.program.build_context import BuildContext
from bulkflow.program.buying import PurchaseColumn, add_buying
from bulkflow.program.demand import DemandGroup, add_demand
from bulkflow.program.duty_limits import GuaranteeBook, add_guarantees
from bulkflow.program.fleets import ChangeBook, add_fleets
from bulkflow.program.loads import LoadBook, add_loads
from bulkflow.program.making import Making, add_making
from bulkflow.program.network_builder import Label, NetworkBuilder
from bulkflow.program.orders import OrderColumn, add_orders
from bulkflow.program.stocks import (
    SoftTarget,
    StockBook,
    add_first_there,
    add_shelf_life,
    add_stocks,
    add_targets,
)
from bulkflow.program.tanks import TankBook, add_tanks
from bulkflow.scenario.model import Scenario

__all__ = ["Maps", "TradeProgram", "build_program"]


@dataclass(frozen=True, slots=True)
class Maps:
    """The way from the core's ids back to the scenario.

    Parameters
    ----------
    labels : id of a node, lane, activity or limit of the core -> what it stands for.
    """

    context: BuildContext
    labels: Mapping[str, Label]
    stocks: StockBook
    purchases: tuple[PurchaseColumn, ...]
    orders: tuple[OrderColumn, ...]
    making: Making
    loads: LoadBook
    changes: ChangeBook
    tanks: TankBook
    guarantees: GuaranteeBook
    demand: tuple[DemandGroup, ...]
    targets: tuple[SoftTarget, ...]


@dataclass(frozen=True, slots=True)
class TradeProgram:
    """A network of the core and the maps that lead back from it."""

    network: Network
    maps: Maps


def build_program(scenario: Scenario) -> TradeProgram:
    """Return the program of a scenario whose references are sound.

    Raises
    ------
    InputError
        A rate of duty or exchange is missing on a day on which it is needed.
    PlanningError
        A load is promised or frozen that can never be sent.
    """
    context = BuildContext.of(scenario)
    builder = NetworkBuilder(context.count)
    stocks = add_stocks(context, builder)
    purchases = add_buying(context, builder)
    making = add_making(context, builder)
    loads = add_loads(context, builder)
    orders = add_orders(context, builder, purchases, loads)
    changes = add_fleets(context, builder, loads)
    tanks = add_tanks(context, builder, making, loads)
    add_first_there(context, builder, making, loads)
    guarantees = add_guarantees(context, builder, loads, making)
    demand = add_demand(context, builder)
    targets = add_targets(context, builder, loads, demand)
    targets += add_shelf_life(context, builder, demand)
    names = dict.fromkeys([*context.names.values(), *(group.name for group in demand)])
    network = builder.network(tuple(names) or (scenario.liquids[0].id,))
    return TradeProgram(
        network,
        Maps(
            context,
            builder.labels,
            stocks,
            tuple(purchases),
            tuple(orders),
            making,
            loads,
            changes,
            tanks,
            guarantees,
            tuple(demand),
            tuple(targets),
        ),
    )
