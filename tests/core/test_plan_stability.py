"""Moves between two plans, and those taken back that bring no gain."""

from __future__ import annotations

import numpy as np
import pytest

from bulkflow.core.assemble import assemble_data
from bulkflow.core.deadline import Deadline
from bulkflow.core.heuristics.plan_stability import moves, without_idle_moves
from bulkflow.core.network import Demand, Lane, Network, Node, Stock, Supply, Vehicle
from bulkflow.core.options import Form
from bulkflow.core.program import ColumnKind, Program
from bulkflow.core.values import spread_network


def program_of(holding: float) -> Program:
    """Ten units asked for in the last of four periods, brought in one vehicle of ten."""
    network = Network(
        periods=4,
        commodities=("wine",),
        nodes=(
            Node("mill", supply=Supply(at_most=100.0)),
            Node(
                "inn",
                demand=Demand(exactly=[0.0, 0.0, 0.0, 10.0], shortage_cost=50.0),
                stock=Stock(holding_cost=holding),
            ),
        ),
        lanes=(Lane("road", "mill", "inn", vehicle=Vehicle(capacity=10.0, cost=5.0)),),
    )
    return assemble_data(spread_network(network), form=Form.STRONG)


def counts(program: Program, values: list[float]) -> np.ndarray:
    found = np.full(program.columns, np.nan)
    first = program.starts[ColumnKind.VEHICLES, "road", -1]
    found[first : first + program.periods] = values
    return found


def after(program: Program, values: list[float], start: list[float]) -> list[float]:
    plan = np.nan_to_num(counts(program, values))
    kept = without_idle_moves(program, plan, counts(program, start), Deadline(10))
    first = program.starts[ColumnKind.VEHICLES, "road", -1]
    return np.round(kept[first : first + program.periods]).tolist()


def test_moves_are_split_where_the_counts_add_up() -> None:
    program = program_of(0.0)
    found = moves(
        program, np.nan_to_num(counts(program, [0, 1, 1, 2])), counts(program, [1, 0, 1, 1])
    )
    first = program.starts[ColumnKind.VEHICLES, "road", -1]
    assert [(part - first).tolist() for part in found] == [[0, 1], [3]]


@pytest.mark.parametrize(
    ("holding", "kept"), [(0.0, [0, 1, 0, 0]), (0.1, [0, 0, 0, 1])], ids=["tie", "gain"]
)
def test_a_load_sent_later_goes_back_unless_waiting_saves(holding: float, kept: list[int]) -> None:
    program = program_of(holding)
    assert after(program, [0, 0, 0, 1], [0, 1, 0, 0]) == kept


def test_what_no_longer_works_stays_changed() -> None:
    program = program_of(0.0)
    assert after(program, [0, 0, 0, 1], [0, 0, 0, 0]) == [0, 0, 0, 1]


def test_a_load_too_many_is_not_put_back() -> None:
    program = program_of(0.0)
    assert after(program, [0, 1, 0, 0], [1, 1, 0, 0]) == [0, 1, 0, 0]
