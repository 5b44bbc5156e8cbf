"""From a network to its program: the order in which the families of rules are added."""

from __future__ import annotations

from bulkflow.core.network import Network, Sense
from bulkflow.core.options import Form
from bulkflow.core.program import Program, ProgramBuilder
from bulkflow.core.rules_lanes import add_lanes
from bulkflow.core.rules_limits import add_limits
from bulkflow.core.rules_nodes import Balances, add_activities, add_nodes
from bulkflow.core.validate import check_network
from bulkflow.core.values import NetworkData, spread_network

__all__ = ["assemble", "assemble_data"]


def assemble(network: Network, *, form: Form = Form.STRONG) -> Program:
    """Return the program of a network.

    Parameters
    ----------
    form : `Form.PLAIN` writes on/off links with the capacity of the lane where it has one;
        `Form.STRONG` with the smallest valid factor (see `bulkflow.core.lane_limits`).

    Raises
    ------
    InputError
        With every fault of the network.
    """
    check_network(network)
    return assemble_data(spread_network(network), form=form)


def assemble_data(data: NetworkData, *, form: Form) -> Program:
    """Return the program of a checked network that is spread already."""
    builder = ProgramBuilder(data.periods, data.commodities)
    balances = Balances(builder, data)
    add_nodes(builder, data, balances)
    add_lanes(builder, data, balances, tighten=form is Form.STRONG)
    add_activities(builder, data, balances)
    add_limits(builder, data)
    sign = -1.0 if Sense(data.network.sense) is Sense.MAXIMISE else 1.0
    return builder.finish(sign=sign, constant=sign * data.network.objective_constant)
