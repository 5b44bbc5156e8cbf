"""What each field means, on networks small enough to work by hand."""

import numpy as np
import pytest

from bulkflow.core.network import (
    Activity,
    Demand,
    Effect,
    Lane,
    Limit,
    Network,
    Node,
    Stock,
    Supply,
    Term,
    Vehicle,
)
from bulkflow.core.options import SolveOptions
from bulkflow.core.outcome import Outcome
from bulkflow.core.solve import solve


def best(network: Network) -> Outcome:
    outcome = solve(network, SolveOptions(gap=0.0))
    assert outcome.status == "optimal"
    return outcome


SOURCE = Node("S", supply=Supply(at_most=100, unit_cost=1))


def test_backlog_costs_every_period_it_stays_open() -> None:
    # 4 are asked for in period 1, supply comes in period 3 only: open for two periods at 2.
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=[0, 0, 9])),
            Node("K", demand=Demand(exactly=[4, 0, 0], shortage_cost=2, shortage="backlogged")),
        ],
        lanes=[Lane("l", "S", "K")],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(4 * 2 * 2)
    assert outcome.solution.shortage["K"][0] == pytest.approx([4, 4, 0])


def test_lost_demand_costs_once_and_is_not_served_later() -> None:
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=[0, 0, 9])),
            Node("K", demand=Demand(exactly=[4, 0, 0], shortage_cost=2)),
        ],
        lanes=[Lane("l", "S", "K")],
    )
    assert best(network).objective == pytest.approx(8)


def test_initial_backlog_is_served_or_paid() -> None:
    # 5 open at the start; 2 can be served in period 1, 3 in period 2.
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=[2, 9])),
            Node(
                "K",
                demand=Demand(exactly=0, shortage_cost=1, shortage="backlogged", initial_backlog=5),
            ),
        ],
        lanes=[Lane("l", "S", "K")],
    )
    assert best(network).objective == pytest.approx(3)


def test_backlog_cannot_be_borrowed_to_build_stock() -> None:
    # Without a rule, an open backlog of 8 would fill the closing target of 6 at a cost of 1 each.
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=10, unit_cost=50)),
            Node(
                "K",
                stock=Stock(final_at_least=6),
                demand=Demand(exactly=[0, 2], shortage_cost=1, shortage="backlogged"),
            ),
        ],
        lanes=[Lane("l", "S", "K")],
    )
    # Only the demand of 2 can stay open; 6 units are bought.
    assert best(network).objective == pytest.approx(6 * 50 + 2)


def test_holding_is_charged_on_every_closing_stock_the_last_included() -> None:
    network = Network(
        periods=3, nodes=[Node("D", stock=Stock(initial=2, holding_cost=[1, 10, 100]))]
    )
    assert best(network).objective == pytest.approx(2 * 111)


def test_gain_is_applied_on_arrival_and_cost_on_what_is_sent() -> None:
    network = Network(
        periods=2,
        nodes=[SOURCE, Node("K", demand=Demand(exactly=[0, 8]))],
        lanes=[Lane("l", "S", "K", lead_time=1, gain=[0.8, 1], unit_cost=[3, 1])],
    )
    # 10 must be sent in period 1 at 3 each and 1 at the source.
    assert best(network).objective == pytest.approx(40)


def test_a_lead_time_for_each_sending_period() -> None:
    # What is sent in periods 1 and 2 arrives in period 3: nothing sent can arrive in 2.
    network = Network(
        periods=4,
        nodes=[
            Node("S", supply=Supply(at_most=10)),
            Node("K", demand=Demand(exactly=[0, 1, 2, 0], shortage_cost=5), stock=Stock()),
        ],
        lanes=[Lane("l", "S", "K", lead_time=[2, 1, 1, 1])],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(5)
    assert outcome.solution.flow["l"][0, 2:] == pytest.approx([0, 0])


def test_nothing_is_sent_that_arrives_too_late_unless_the_lane_allows_it() -> None:
    def sent(allowed: bool) -> float:
        network = Network(
            periods=2,
            nodes=[Node("S", supply=Supply(exactly=[0, 3])), Node("P", stock=Stock()), Node("K")],
            lanes=[
                Lane("a", "S", "P"),
                Lane("b", "P", "K", lead_time=1, unit_cost=-1, may_arrive_after_horizon=allowed),
            ],
            limits=[Limit("under way", [Term("in_transit", "b")], at_most=2)],
        )
        return float(best(network).solution.flow["b"].sum())

    assert sent(allowed=False) == pytest.approx(0)
    assert sent(allowed=True) == pytest.approx(2)


def test_min_flow_counts_where_the_lane_may_send() -> None:
    network = Network(
        periods=3,
        nodes=[SOURCE, Node("K", stock=Stock())],
        lanes=[Lane("l", "S", "K", lead_time=1, min_flow=2)],
    )
    assert best(network).solution.flow["l"][0] == pytest.approx([2, 2, 0])


def test_limits_by_commodity_on_a_lane() -> None:
    network = Network(
        periods=1,
        commodities=["a", "b"],
        nodes=[
            Node("S", supply=Supply(at_most=100)),
            Node("K", demand=Demand(at_most=50, unit_revenue={"a": 3, "b": 2})),
        ],
        lanes=[Lane("l", "S", "K", capacity={"a": 4}, min_flow={"b": 1})],
        limits=[Limit("both", [Term("flow", "l")], at_most=10)],
        sense="maximise",
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(4 * 3 + 6 * 2)
    assert outcome.bound == pytest.approx(24)


def test_capacity_on_the_sum_over_commodities() -> None:
    network = Network(
        periods=1,
        commodities=["a", "b"],
        nodes=[
            Node("S", supply=Supply(at_most=100)),
            Node("K", demand=Demand(at_most=50, unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K", capacity=7)],
        sense="maximise",
        objective_constant=0.5,
    )
    assert best(network).objective == pytest.approx(7.5)


def test_supply_exactly_must_be_taken_and_optional_supply_comes_beside_it() -> None:
    network = Network(
        periods=1,
        nodes=[
            Node("S", supply=Supply(exactly=3, at_most=5, unit_cost=2)),
            Node("K", demand=Demand(exactly=4)),
        ],
        lanes=[Lane("l", "S", "K")],
        limits=[Limit("taken", [Term("supply", "S")], at_most=4)],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(2)
    assert outcome.solution.supply["S"][0] == pytest.approx([4])


def test_whole_vehicles_and_their_fill() -> None:
    # 30 asked: two vehicles of 24, each at least 19.2 full, so 38.4 at least must go; 8.4 stay.
    network = Network(
        periods=1,
        nodes=[
            SOURCE,
            Node("K", demand=Demand(exactly=30), stock=Stock(holding_cost=10)),
        ],
        lanes=[Lane("l", "S", "K", vehicle=Vehicle(capacity=24, min_fill=19.2, cost=7))],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(38.4 + 84 + 14)
    assert outcome.solution.vehicles["l"] == pytest.approx([2])


def test_frozen_loads_run_whatever_they_cost() -> None:
    network = Network(
        periods=2,
        nodes=[SOURCE, Node("K", stock=Stock())],
        lanes=[
            Lane(
                "l",
                "S",
                "K",
                vehicle=Vehicle(
                    capacity=10, min_fill=8, cost=5, min_count=[1, 0], max_count=[1, 0]
                ),
            )
        ],
    )
    assert best(network).objective == pytest.approx(5 + 8)


def test_fixed_cost_and_least_quantity_in_a_period_of_use() -> None:
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=50)),
            Node("K", demand=Demand(exactly=[1, 1, 1]), stock=Stock(holding_cost=1)),
        ],
        lanes=[Lane("l", "S", "K", capacity=50, fixed_cost=10, min_if_used=5)],
    )
    # One use of 5: closing stock 4, 3, 2.
    outcome = best(network)
    assert outcome.objective == pytest.approx(10 + 9)
    assert outcome.solution.used["l"] == pytest.approx([1, 0, 0])


def test_switches_without_cost_exist_where_a_limit_counts_them() -> None:
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=50)),
            Node("K", demand=Demand(exactly=[1, 1, 1]), stock=Stock(holding_cost=1)),
        ],
        lanes=[Lane("l", "S", "K")],
        limits=[Limit("calls", [Term("used", "l")], at_most=2, over_horizon=True)],
    )
    assert best(network).objective == pytest.approx(1)


def test_window_terms_count_the_periods_before() -> None:
    # At most 2 vehicles in any two periods running: 2 in period 1, none in 2, 2 in 3.
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=99)),
            Node("K", demand=Demand(at_most=99, unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K", vehicle=Vehicle(capacity=1))],
        limits=[Limit("fleet", [Term("vehicles", "l", lag_first=0, lag_last=1)], at_most=2)],
        sense="maximise",
    )
    assert best(network).objective == pytest.approx(4)


def test_negative_lags_look_ahead() -> None:
    # The stock at the end of t covers the flow out of t + 1 (times 2).
    network = Network(
        periods=3,
        nodes=[SOURCE, Node("D", stock=Stock(holding_cost=1)), Node("K", demand=Demand(exactly=3))],
        lanes=[Lane("in", "S", "D"), Lane("out", "D", "K")],
        limits=[
            Limit(
                "cover",
                [Term("stock", "D"), Term("flow", "out", times=-2, lag_first=-1, lag_last=-1)],
                at_least=0,
            )
        ],
    )
    # Closing stock 6, 6, then what is left: 3 units needed in period 3 come out of the 6.
    outcome = best(network)
    assert outcome.solution.stock["D"][0, :2] == pytest.approx([6, 6])


def test_factors_of_a_limit_are_those_of_its_row() -> None:
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=99)),
            Node("K", demand=Demand(at_most=99, unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K")],
        limits=[
            Limit("hours", [Term("flow", "l", times=[2, 4], lag_last=1)], at_most=[10, 28]),
        ],
        sense="maximise",
    )
    # 2 x1 <= 10 and 4 (x1 + x2) <= 28.
    assert best(network).objective == pytest.approx(7)


def test_periods_of_a_limit() -> None:
    network = Network(
        periods=3,
        nodes=[
            Node("S", supply=Supply(at_most=5)),
            Node("K", demand=Demand(at_most=99, unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K")],
        limits=[
            Limit("shut", [Term("flow", "l")], exactly=0, periods=[2]),
            Limit("early", [Term("flow", "l")], at_most=7, over_horizon=True, periods=[1, 3]),
        ],
        sense="maximise",
    )
    assert best(network).objective == pytest.approx(7)


def test_activities_change_balances_later_and_fade_after_the_horizon() -> None:
    # A charge takes 10 of a and gives 8 of b one period later, whole charges only.
    network = Network(
        periods=3,
        commodities=["a", "b"],
        nodes=[
            Node("P", stock=Stock(initial={"a": 25})),
            Node("K", demand=Demand(at_most={"b": 99}, unit_revenue=1)),
        ],
        lanes=[Lane("l", "P", "K")],
        activities=[
            Activity(
                "still",
                [Effect("P", "a", -10), Effect("P", "b", 8, lag=1)],
                upper=1,
                cost=2,
                integer=True,
            )
        ],
        sense="maximise",
    )
    outcome = best(network)
    # Two charges, in periods 1 and 2; a third would come too late.
    assert outcome.objective == pytest.approx(16 - 4)
    assert outcome.solution.activity["still"] == pytest.approx([1, 1, 0])


def test_activities_without_effects_make_soft_floors() -> None:
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=3, unit_cost=5)),
            Node("D", stock=Stock(holding_cost=0.5)),
        ],
        lanes=[Lane("l", "S", "D")],
        activities=[Activity("missing", cost=[1, 4])],
        limits=[Limit("floor", [Term("stock", "D"), Term("activity", "missing")], at_least=4)],
    )
    # Period 1 short costs 1 a unit, period 2 short 4: buying 1 unit in 1 costs 5 + 1 holding,
    # against 4 + 1 short; buying nothing is best: 4 + 16.
    assert best(network).objective == pytest.approx(20)


def test_free_activity_can_be_negative() -> None:
    network = Network(
        periods=1,
        nodes=[Node("D", stock=Stock(initial=3))],
        activities=[Activity("difference", lower=None, cost=1)],
        limits=[Limit("tie", [Term("activity", "difference"), Term("stock", "D")], exactly=1)],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(-2)
    assert outcome.solution.activity["difference"] == pytest.approx([-2])


def test_in_transit_counts_what_is_sent_and_not_arrived() -> None:
    network = Network(
        periods=4,
        nodes=[
            Node("S", supply=Supply(at_most=99)),
            Node("K", demand=Demand(at_most=99, unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K", lead_time=2)],
        limits=[Limit("risk", [Term("in_transit", "l", times=3)], at_most=12)],
        sense="maximise",
    )
    # Sent in 1 and 2 (arriving in 3 and 4): together at most 4 under way at the end of 2.
    assert best(network).objective == pytest.approx(4)


def test_final_stock_by_commodity() -> None:
    network = Network(
        periods=2,
        commodities=["a", "b"],
        nodes=[SOURCE, Node("D", stock=Stock(final_exactly={"a": 3}, final_at_least={"b": 2}))],
        lanes=[Lane("l", "S", "D")],
    )
    outcome = best(network)
    assert outcome.objective == pytest.approx(5)
    assert outcome.solution.stock["D"][:, 1] == pytest.approx([3, 2])


def test_shortage_and_sales_terms() -> None:
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=5)),
            Node("K", demand=Demand(exactly=6, at_most=4, shortage_cost=1, unit_revenue=9)),
        ],
        lanes=[Lane("l", "S", "K")],
        limits=[
            Limit("service", [Term("shortage", "K")], at_most=3, over_horizon=True),
        ],
        sense="maximise",
    )
    # 10 supplied; at most 3 of 12 may be lost, so 9 are served and 1 sold; 3 lost.
    assert best(network).objective == pytest.approx(9 - 3)


def test_contradictory_bounds_are_infeasible_not_an_error() -> None:
    network = Network(
        periods=2, nodes=[Node("D", stock=Stock(initial=1, at_most=3, final_at_least=5))]
    )
    outcome = solve(network)
    assert outcome.status == "infeasible"
    assert outcome.solution is None
    assert outcome.gap is None


def test_nothing_at_all_is_a_network() -> None:
    outcome = solve(Network(periods=3, nodes=[Node("D")], objective_constant=4))
    assert outcome.status == "optimal"
    assert outcome.objective == 4
    assert outcome.bound == 4
    assert outcome.solution.flow == {}


def test_demand_that_nothing_reaches_is_infeasible() -> None:
    assert solve(Network(periods=1, nodes=[Node("K", demand=Demand(exactly=1))])).status == (
        "infeasible"
    )


def test_numpy_values_are_values() -> None:
    network = Network(
        periods=2,
        nodes=[
            Node("S", supply=Supply(at_most=np.array([3.0, 4.0]))),
            Node("K", demand=Demand(at_most=np.float64(9), unit_revenue=1)),
        ],
        lanes=[Lane("l", "S", "K")],
        sense="maximise",
    )
    assert best(network).objective == pytest.approx(7)
