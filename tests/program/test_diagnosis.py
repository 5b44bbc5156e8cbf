"""Why no plan exists, and why demand falls short, in the user's words with file and line."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from bulkflow.core.diagnose import Diagnosis
from bulkflow.program.diagnosis import (
    Explanation,
    NoPlanError,
    Obstacle,
    ShortageExplanation,
    explain_shortages,
)
from bulkflow.program.solve import make_plan
from bulkflow.program.where_written import index_path
from bulkflow.scenario.reader import read_workspace
from tests.program.builders import (
    ask,
    base,
    contract,
    lane,
    planned,
    scenario,
    site,
    stock,
    supplier,
    tank,
    tank_type,
    week,
)

WORKSPACES = Path(__file__).parents[2] / "scenarios"
LOAD = {"lane": "road", "liquid": "GIN", "tank_type": "T7"}
WEEK_1 = "(2027-01-04 to 2027-01-10)"
WEEK_2 = "(2027-01-11 to 2027-01-17)"


def refusal(data) -> str:
    with pytest.raises(NoPlanError) as caught:
        make_plan(scenario(data))
    explanation = caught.value.explanation
    assert explanation.irreducible
    return str(caught.value)


def under_way(*lpa: float):
    return [
        LOAD
        | {
            "load_id": f"U{number}",
            "state": "under_way",
            "departs_on": week(0),
            "usable_on": week(1, 2),
            "lpa": one,
        }
        for number, one in enumerate(lpa, 1)
    ]


def test_a_frozen_load_without_stock():
    frozen = LOAD | {"load_id": "F", "state": "frozen", "departs_on": week(1), "lpa": 5_000.0}
    text = refusal(base(loads=[frozen], opening_stock=[stock("STORE", "GIN", 3_000.0)]))
    assert text == (
        "No plan meets every rule. This one cannot hold with all else as given:\n"
        f"- frozen load F of 5,000 LPA GIN from STORE, in week 1 {WEEK_1}"
    )


def test_loads_under_way_that_do_not_fit():
    # 9,000 litres are 7,200 LPA; 8,000 are on the way.
    sites = [
        site("STORE", "depot", [tank("S", 1e5, "GIN")]),
        site("BOTTLER", "bottler", [tank("B", 9_000.0, "GIN")]),
    ]
    assert refusal(base(sites=sites, loads=under_way(4_000.0, 4_000.0))) == (
        "No plan meets every rule. This one cannot hold with all else as given:\n"
        "- room for GIN at BOTTLER (tanks B) when loads arrive (given: U1, U2),"
        f" in week 2 {WEEK_2}"
    )


def test_a_fleet_that_is_away_already():
    fleet = {
        "fleets": [{"id": "ONE", "tanks": 1}],
        "lanes": [
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                tanks=[{"tank_type": "T7", "cost_per_load": 1.0, "fleet": "ONE"}],
            )
        ],
    }
    assert refusal(base(loads=under_way(4_000.0, 4_000.0), **fleet)) == (
        "No plan meets every rule. This one cannot hold with all else as given:\n"
        f"- fleet ONE of 1 tank (given: U1, U2), in week 1 {WEEK_1}"
    )


def test_a_promise_that_the_guarantee_does_not_cover():
    data = base(
        authorities=[
            {"id": "HOME", "rates": [{"first_day": week(1), "kind": "per_lpa", "rate": 10.0}]}
        ],
        guarantees=[{"id": "BOND", "kind": "movement", "limit": 10_000.0}],
        lanes=[
            lane(
                "road",
                "STORE",
                "BOTTLER",
                "GIN",
                minimum_fill_percent=50.0,
                legs=[{"authority": "HOME", "guarantee": "BOND"}],
            )
        ],
        loads=[LOAD | {"load_id": "P", "state": "promised", "departs_on": week(1)}],
    )
    first, *rules = refusal(data).splitlines()
    assert first == "No plan meets every rule. These cannot hold together; one must give way:"
    assert sorted(rules) == [
        f"- guarantee BOND (limit 10,000), in week 1 {WEEK_1}",
        f"- least fill of loads of GIN in T7 on lane road (2,800 LPA), in week 1 {WEEK_1}",
        f"- loads promised on lane road (P), in week 1 {WEEK_1}",
    ]


def test_a_promise_of_more_than_there_is_points_at_the_stock_and_not_at_the_law():
    # An undivided tank of 10,000 litres is at least 80 % full: 6,400 LPA. 3,000 are on hand.
    data = base(
        tank_types=[tank_type("T10", 10_000.0)],
        lanes=[
            lane("road", "STORE", "BOTTLER", "GIN",
                 tanks=[{"tank_type": "T10", "cost_per_load": 100.0}])
        ],
        opening_stock=[stock("STORE", "GIN", 3_000.0)],
        loads=[LOAD | {"load_id": "P", "tank_type": "T10", "state": "promised",
                       "departs_on": week(1)}],
    )  # fmt: skip
    first, *rules = refusal(data).splitlines()
    assert first == "No plan meets every rule. These cannot hold together; one must give way:"
    assert rules == [
        "- GIN on hand at STORE at the start (3,000 LPA)",
        "- least fill of loads of GIN in T10 on lane road (6,400 LPA, which the rules on filling"
        f" set), in week 1 {WEEK_1}",
        f"- loads promised on lane road (P), in week 1 {WEEK_1}",
    ]


def test_a_contract_minimum_that_the_lane_cannot_take_away():
    # One load a week of about 5,260 LPA in four weeks: 90,000 cannot be bought.
    data = base(
        suppliers=[supplier("SELLER", contract("GIN", 2.0, minimum_lpa=90_000.0))],
        sites=[site("BOTTLER", "bottler", [tank("B", 500_000.0, "GIN")])],
        lanes=[lane("road", "SELLER", "BOTTLER", "GIN", maximum_loads_per_period=1)],
        opening_stock=[],
    )
    first, *rules = refusal(data).splitlines()
    assert first == "No plan meets every rule. These cannot hold together; one must give way:"
    assert sorted(rules) == [
        "- at most 1 load a period on lane road, in weeks 1 to 4 (2027-01-04 to 2027-01-31)",
        "- contract of SELLER for GIN (at least 90,000 LPA)",
    ]


def test_file_and_line_of_each_rule(tmp_path):
    # The hand-checked workspace with a frozen load larger than the released lot of 7,000 LPA.
    folder = tmp_path / "broken"
    shutil.copytree(WORKSPACES / "two_sites", folder)
    (folder / "loads.csv").write_text(
        "load_id,lane_id,liquid_id,tank_type_id,state,departs_on,lpa\n"
        "F-1,sea,DRY,TC-10,frozen,2027-01-04,7400\n",
        encoding="utf-8",
    )
    workspace = read_workspace(folder)
    with pytest.raises(NoPlanError) as caught:
        make_plan(workspace.scenario, sources=workspace.sources)
    assert str(caught.value).splitlines()[1:] == [
        f"- frozen load F-1 of 7,400 LPA DRY from STILLHOUSE, in week 1 {WEEK_1}"
        " (loads.csv, line 2)"
    ]


def test_paths_by_number():
    made = scenario(
        base(
            suppliers=[supplier("SELLER", contract("GIN", 2.0))],
            demand=[ask(1, 1.0), ask(2, 1.0)],
        )
    )
    assert index_path(made, "sites[BOTTLER].tanks[B]") == "sites[1].tanks[0]"
    assert index_path(made, "suppliers[SELLER].contracts[0]") == "suppliers[0].contracts[0]"
    assert index_path(made, "demand[1]") == "demand[1]"
    assert index_path(made, "sites[STORE].tanks") == "sites[0].tanks"


def shortages(data) -> tuple[ShortageExplanation, ...]:
    return explain_shortages(scenario(data), planned(data))


def test_nothing_can_come_in_time():
    (found,) = shortages(base(demand=[ask(1, 3_000.0)]))
    assert (found.verdict, found.period, found.short_lpa) == ("no_way", 1, 3_000.0)
    assert found.lines() == [
        f"GIN at BOTTLER is 3,000 LPA short in week 1 {WEEK_1}: nothing can bring it there by then."
    ]


def test_a_limit_stands_in_the_way():
    data = base(
        demand=[ask(2, 12_000.0)],
        lanes=[lane("road", "STORE", "BOTTLER", "GIN", maximum_loads_per_period=2)],
    )
    (found,) = shortages(data)
    assert found.verdict == "blocked"
    assert [obstacle.words for obstacle in found.explanation.obstacles] == [
        "at most 2 loads a period on lane road"
    ]
    assert found.lines()[0].endswith(
        f"LPA short in week 2 {WEEK_2}: what stands in the way, whatever else goes without:"
    )


def test_two_demands_share_what_there_is():
    # 5,000 in stock at STORE; two bottlers ask for 4,000 each in week 2.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 1e5, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")]),
            site("OTHER", "bottler", [tank("B", 5e4, "GIN")]),
        ],
        lanes=[lane("a", "STORE", "BOTTLER", "GIN"), lane("b", "STORE", "OTHER", "GIN")],
        opening_stock=[stock("STORE", "GIN", 5_000.0)],
        demand=[ask(2, 4_000.0), ask(2, 4_000.0, "OTHER")],
    )
    (found,) = shortages(data)
    assert found.verdict == "shared"
    other = "OTHER" if found.site == "BOTTLER" else "BOTTLER"
    assert [obstacle.words for obstacle in found.explanation.obstacles] == [
        f"demand for GIN at {other} (core)"
    ]


def test_serving_is_dearer_than_going_without():
    (found,) = shortages(base(demand=[ask(2, 5.0)]))
    assert found.verdict == "dearer"
    assert found.lines() == [
        f"GIN at BOTTLER is 5 LPA short in week 2 {WEEK_2}: no rule stands in the way, but serving"
        " it would cost more."
    ]


def test_a_rival_that_cannot_be_served_is_not_blamed():
    # The demand of week 1 at OTHER cannot be met at all; it has nothing to do with the 5,000 in
    # stock of which BOTTLER wants 6,000 in week 2 for the price of going without.
    data = base(
        sites=[
            site("STORE", "depot", [tank("S", 1e5, "GIN")]),
            site("BOTTLER", "bottler", [tank("B", 5e4, "GIN")]),
            site("OTHER", "bottler", [tank("B", 5e4, "GIN")]),
        ],
        lanes=[lane("a", "STORE", "BOTTLER", "GIN"), lane("b", "STORE", "OTHER", "GIN")],
        opening_stock=[stock("STORE", "GIN", 5_000.0)],
        priorities=[
            {"id": "core", "unmet": "lost", "cost_per_lpa": 10.0},
            {"id": "less", "unmet": "lost", "cost_per_lpa": 9.0},
        ],
        demand=[
            ask(1, 9_000.0, "OTHER"),
            ask(2, 3_000.0, "OTHER"),
            ask(2, 4_000.0, priority="less"),
        ],
    )
    found = {one.site: one for one in shortages(data)}
    assert found["OTHER"].verdict == "no_way"
    assert found["BOTTLER"].verdict == "shared"
    (rival,) = found["BOTTLER"].explanation.obstacles
    assert (rival.words, rival.periods) == ("demand for GIN at OTHER (core)", (2,))


def test_small_shortages_are_not_explained():
    # 2 % short is not badly short: 2,000 asked for, 1,960 in stock, none anywhere else.
    data = base(opening_stock=[stock("BOTTLER", "GIN", 1_960.0)], demand=[ask(2, 2_000.0)])
    assert planned(data).costs.shortage == pytest.approx(400.0)
    assert shortages(data) == ()


# --- lots behind gates: what a release would bring is never called impossible --------------------


def a_lot(**fields: object):
    return {
        "lot_id": "G-1",
        "liquid": "GIN",
        "site": "BOTTLER",
        "litres_20c": 5_000.0,
        "strength_percent": 80.0,
        "made_on": week(0),
        "spirit_base": "cereal",
        "status": "held",
    } | fields


def test_what_a_held_lot_could_bring_is_not_called_impossible():
    (found,) = shortages(base(demand=[ask(1, 3_000.0)], lots=[a_lot()]))
    assert (found.verdict, found.lots, found.lots_help) == ("no_way", ("G-1",), True)
    assert found.lines() == [
        f"GIN at BOTTLER is 3,000 LPA short in week 1 {WEEK_1}: nothing but the release of G-1 can"
        " bring it there by then."
    ]


def test_an_awaiting_lot_counts_until_its_day():
    lot = a_lot(status="awaiting", decision_due=week(2))
    (found,) = shortages(base(demand=[ask(1, 3_000.0)], lots=[lot]))
    assert (found.lots, found.lots_help) == (("G-1",), True)


def test_a_lot_too_far_away_is_said_not_to_help():
    # A load from STORE is usable a week later.
    (found,) = shortages(base(demand=[ask(1, 3_000.0)], lots=[a_lot(site="STORE")]))
    assert found.lines()[0].endswith(
        "nothing can bring it there by then, not even the release of G-1."
    )


def test_what_was_not_settled_is_not_claimed(monkeypatch):
    """A search ended by time alone: the machine's speed, so it is stood in for here."""
    data = base(demand=[ask(2, 5.0)])
    plan = planned(data)
    ended = Diagnosis((), irreducible=False, whole_numbers=False, seconds=1.0)
    monkeypatch.setattr("bulkflow.program.diagnosis.diagnose", lambda *_, **__: ended)
    (found,) = explain_shortages(scenario(data), plan)
    assert found.verdict == "unsettled"
    assert found.lines()[0].endswith("what stands in the way was not found in the time given.")


@pytest.mark.parametrize(
    ("verdict", "said"),
    [
        ("shared", "but not with all other demand of its price or more served as in this plan."),
        ("blocked", "which of 9 rules stand in the way was not found in the time given."),
    ],
)
def test_a_conflict_that_was_not_sifted_is_no_list_of_rules(verdict, said):
    rules = tuple(Obstacle(f"rule {number}", (1,), "", (), 1) for number in range(9))
    found = ShortageExplanation(
        site="A", liquid="GIN", market="", priority="core", period=1, when="in week 1",
        short_lpa=9.0, verdict=verdict, plan_gap=0.0,
        explanation=Explanation(rules, irreducible=False, whole_numbers=True),
    )  # fmt: skip
    (line,) = found.lines()
    assert line.endswith(said)
    sifted = replace(found, explanation=replace(found.explanation, irreducible=True))
    assert sifted.lines()[-2:] == [
        "- and 1 more rule", "They conflict because loads, charges and vattings are whole.",
    ]  # fmt: skip
