"""The closing target: what is owed does not count; its rows still strengthen (eq. 26)."""

import numpy as np
import pytest

from bulkflow.core.assemble import assemble, assemble_data
from bulkflow.core.column_generation.subproblems import find_subproblems
from bulkflow.core.cumulative import with_cumulative_counts
from bulkflow.core.cuts.stations import find_stations
from bulkflow.core.network import TermKind
from bulkflow.core.options import Form, SolveOptions
from bulkflow.core.values import spread_network
from bulkflow.program.build import build_program
from bulkflow.program.solve import make_plan
from tests.program.builders import ask, base, lane, planned, scenario, site, stock, tank

CARRIED = [{"id": "core", "unmet": "carried", "cost_per_lpa": 2.0}]


def target(lpa: float, cost: float = 3.0, what: str = "GIN"):
    return [
        {"site": "BOTTLER", "liquid": what, "closing_lpa": lpa, "closing_cost_per_lpa": cost},
    ]


def dear(cost: float = 20_000.0):
    return [lane("road", "STORE", "BOTTLER", "GIN", cost=cost)]


def test_going_short_at_the_end_does_not_save_the_target():
    # 1,000 in stock, 1,000 asked for in the last week, 1,000 to close with, and no load worth
    # its cost. Served: the target is missed by 1,000, 3,000. Left open it would cost 2,000 and
    # leave 1,000 in stock, but those are owed: 2,000 + 3,000.
    data = base(
        lanes=dear(),
        priorities=CARRIED,
        opening_stock=[stock("STORE", "GIN", 40_000.0), stock("BOTTLER", "GIN", 1_000.0)],
        demand=[ask(4, 1_000.0)],
        stock_policies=target(1_000.0),
    )
    plan = planned(data)
    assert plan.costs.shortage == 0.0
    assert plan.costs.floors == pytest.approx(3_000.0)


def test_what_is_owed_has_to_be_made_good_above_the_target():
    # Nothing there, 500 asked for in week 3 and never served: open at the ends of weeks 3 and 4,
    # 2 x 500 x 2 = 2,000; the target of 1,000 is missed by 1,500, 4,500.
    data = base(
        lanes=dear(), priorities=CARRIED, demand=[ask(3, 500.0)], stock_policies=target(1_000.0)
    )
    plan = planned(data)
    assert plan.costs.shortage == pytest.approx(2_000.0)
    assert plan.costs.floors == pytest.approx(4_500.0)
    # A load for 6,000 saves it all, so long as it brings 1,500: sent by week 2, it is in time.
    assert planned(data | {"lanes": dear(6_000.0)}).costs.total == pytest.approx(6_000.0)


def test_every_market_and_carried_priority_counts_and_lost_demand_does_not():
    # 100 and 200 carried for two markets, 400 lost, nothing there and none to come: the target
    # of 1,000 is missed by 1,300 at 3 each. Shortage: 300 x 2 + 400 x 5.
    priorities = [*CARRIED, {"id": "spot", "unmet": "lost", "cost_per_lpa": 5.0}]
    data = base(
        lanes=dear(),
        markets=[{"id": "EAST"}, {"id": "WEST"}],
        priorities=priorities,
        demand=[
            ask(4, 100.0, market="EAST"),
            ask(4, 200.0, market="WEST"),
            ask(4, 400.0, market="WEST", priority="spot"),
        ],
        stock_policies=target(1_000.0),
    )
    plan = planned(data)
    assert plan.costs.shortage == pytest.approx(300.0 * 2.0 + 400.0 * 5.0)
    assert plan.costs.floors == pytest.approx(1_300.0 * 3.0)


def random_small(seed: int):
    """Whole loads of two sizes, demand carried over, a target with loads under way at the end."""
    rng = np.random.default_rng(seed)
    return base(
        calendar={**base()["calendar"], "horizon_periods": 6},
        lanes=[
            lane("road", "STORE", "BOTTLER", "GIN", cost=float(rng.uniform(800.0, 4_000.0)),
                 minimum_fill_percent=60.0, transit_days=int(rng.integers(1, 12))),
            lane("express", "STORE", "BOTTLER", "GIN", cost=float(rng.uniform(2_000.0, 6_000.0)),
                 payload_limit_kg=3_000.0),
        ],
        priorities=[
            {"id": "core", "unmet": "carried", "cost_per_lpa": float(rng.uniform(0.2, 2.0))}
        ],
        opening_stock=[
            stock("STORE", "GIN", 60_000.0),
            stock("BOTTLER", "GIN", float(rng.uniform(0.0, 3_000.0))),
        ],
        demand=[ask(t, float(rng.uniform(0.0, 3_000.0))) for t in range(1, 7)],
        stock_policies=target(float(rng.uniform(500.0, 6_000.0)), float(rng.uniform(0.2, 4.0))),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_the_target_is_still_an_end_rule_and_both_forms_agree(seed: int):
    made = scenario(random_small(seed))
    network = build_program(made).network
    data = spread_network(network)
    stations = find_stations(data, with_cumulative_counts(assemble_data(data, form=Form.STRONG)))
    rules = [rule for station in stations for rule in station.end_rules]
    assert [rule.period for rule in rules] == [5]
    # What is under way counts with what has come: every load of every week.
    (bottler,) = [station for station in stations if station.end_rules]
    assert sum(rules[0].through) == sum(len(one.columns) for one in bottler.whole)
    costs = {
        form: make_plan(made, SolveOptions(gap=0.0, form=form)).costs.total
        for form in ("strong", "plain")
    }
    assert costs["strong"] == pytest.approx(costs["plain"], rel=1e-6)


def test_the_target_takes_off_what_is_owed_in_the_core_and_items_know_it():
    network = build_program(scenario(random_small(0))).network
    (limit,) = [one for one in network.limits if one.id.startswith("below closing")]
    owed = [term.times for term in limit.terms if term.kind == TermKind.SHORTAGE]
    assert owed == [-1.0]
    data = spread_network(network)
    (item,) = find_subproblems(data, assemble(network)).items
    assert item.closing_slack >= 0
    assert item.closing_takes_owed
    # Room after the end bounds a plan, and is left out of the relaxation.
    after = [one for one in network.limits if one.id.startswith("room after the end")]
    assert item.left_out == len(after)


@pytest.mark.parametrize(("transit_days", "fits"), [(1, 4_000.0), (8, 4_500.0)])
def test_what_is_on_the_way_at_the_end_has_room(transit_days: int, fits: float):
    # The bottler's tank holds 5,000 litres = 4,000 LPA; its 2,000 in stock are used in week 3, 500
    # a week at the mean. A target of 9,000 could be met by two loads of week 4 that no tank takes.
    # With 1 day they can be used in week 5: 4,000 fit. With 8 days in week 6: 500 will be gone by
    # then, and 4,500 fit. One load (100) brings that; the rest is missed at 10 a LPA.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 100_000.0, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5_000.0, "GIN")]),
        ],
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", transit_days=transit_days)],
        opening_stock=[stock("STORE", "GIN", 40_000.0), stock("BOTTLER", "GIN", 2_000.0)],
        demand=[ask(3, 2_000.0)],
        stock_policies=target(9_000.0, 10.0),
    )
    plan = planned(data)
    assert sum(load.lpa for load in plan.loads) == pytest.approx(fits)
    assert plan.costs.total == pytest.approx(100.0 + 10.0 * (9_000.0 - fits))
