"""The answer in the terminal: within 80 columns, the same words without colour, nothing hidden."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import pytest
from rich.console import Console

from bulkflow.plan.answer import PARTS, print_answer, print_verdict
from bulkflow.plan.answer_difference import print_difference
from bulkflow.plan.check import CheckReport
from bulkflow.plan.checks.watch import Check
from bulkflow.plan.compare import compare_plans
from bulkflow.plan.finding import Finding
from bulkflow.plan.result import HoldCost, Miss, PlanResult
from bulkflow.report.terms import english
from bulkflow.scenario.model import Scenario
from bulkflow.scenario.reader import read_workspace
from tests.plan import by_hand, everything


def shown(
    result: PlanResult,
    scenario: Scenario,
    *,
    width: int = 80,
    colour: bool = False,
    parts: tuple[str, ...] = ("all",),
) -> str:
    out = io.StringIO()
    console = Console(
        file=out,
        width=width,
        force_terminal=colour,
        color_system="truecolor" if colour else None,
        highlight=False,
        markup=False,
        emoji=False,
    )
    print_answer(result, scenario, console, parts)
    print_verdict(result, console)
    return out.getvalue()


def without_codes(text: str) -> str:
    out, skip = [], False
    for sign in text:
        if sign == "\x1b":
            skip = True
        elif skip:
            skip = sign != "m"
        else:
            out.append(sign)
    return "".join(out)


def tiny() -> tuple[PlanResult, Scenario]:
    return by_hand.result(), read_workspace(by_hand.TWO_SITES).scenario


def whole() -> PlanResult:
    """A result with every section."""
    made = everything.result()
    hold = replace(
        made.holds[0],
        cost_as_is=1000.0,
        cost_released=900.0,
        saving_least=40.0,
        saving_most=130.0,
        cost_failed=1500.0,
        extra_least=450.0,
        extra_most=500.0,
        short_as_is_lpa=0.0,
        short_released_lpa=0.0,
        short_failed_lpa=77.0,
    )
    unpriced = replace(made.holds[1], cost_as_is=1000.0, unpriced="Not known: too little time.")
    finding = Finding("blocks", "Lane sea-east can carry nothing.", ("lanes[sea-east]",), "Mind.")
    late = tuple(
        replace(row, open_lpa=250.0) if (row.period, row.priority) == (3, "core") else row
        for row in made.plan.demand
    )
    plan = replace(made.plan, demand=late)
    return replace(
        made,
        plan=plan,
        holds=(hold, unpriced),
        findings=(finding,),
        misses=(Miss("closing", "EAST", "DRY", (5,), (1234.4,), 99.0),),
        explanations=(("DRY at EAST is short", "- the sea (scenario.yaml, line 9)"),),
        register="/somewhere/records.sqlite",
        chain_head="17:" + "ab" * 32,
    )


@pytest.mark.parametrize("width", [80, 100])
def test_no_line_is_wider_than_the_page(width: int):
    for text in (shown(whole(), everything.scenario(), width=width), shown(*tiny(), width=width)):
        assert max(len(line) for line in text.splitlines()) <= width


def test_colour_adds_nothing_but_colour():
    plain = shown(whole(), everything.scenario())
    coloured = shown(whole(), everything.scenario(), colour=True)
    assert "\x1b[" in coloured
    assert without_codes(coloured) == plain


def test_every_section_is_there():
    text = shown(whole(), everything.scenario())
    for words in (
        "Opening lots from the register records.sqlite, chain head 17:abababababab.",
        "What cannot work",
        "blocks  Lane sea-east can carry nothing.",
        "Mind.",
        "Short",
        "250 late at worst, 0 at the end",
        "Floors and targets missed (EUR)",
        "closing target EAST DRY 5 1,234 99",
        "Why",
        "Loads by week and lane",
        "Loads of the next 2 weeks",
        "frozen",
        "promised",
        "Stock against floor and room",
        "Duty at risk against guarantees (EUR)",
        "Duty falling due on arrivals (EUR)",
        "Lots held or awaiting, and what depends on them",
        "Its release now would save at least 40 and at most 130 EUR.",
        "Its failure would cost at least 450 and at most 500 EUR.",
        "77 LPA x weeks would be short without it, against 0 now.",
        "Not known: too little time.",
        "Purchases",
        "Charges by still, recipe and week",
        "Cost over the horizon (EUR)",
        "Proof",
        "no plan can cost less",
        "of what the plan can change",
    ):
        assert " ".join(words.split()) in " ".join(text.split()), words
    assert f"all {len(everything.result().report.checks)} of the plan passed" in text


def test_the_part_of_floors_names_all_that_it_holds():
    """Eqs. 25 to 27: below floors, below closing targets, past the shelf life."""
    text = shown(whole(), everything.scenario())
    line = next(line for line in text.splitlines() if line.startswith("floors "))
    assert line.endswith("stock below floor or target, or past its life")
    assert english()("cost_floors") == "floors, closing targets, stock past its life"


def test_the_tiny_answer_reads_as_it_should():
    text = shown(*tiny())
    assert text.startswith(
        "Two sites, checked by hand\n"
        "3 weeks from 4 Jan to the week of 18 Jan 2027, planned over 4.\n"
    )
    assert text.endswith(
        "Over the quarter 2 loads serve 15,000 of 15,000 LPA (100 %), all of it in time. \n"
        "Nothing is short. The horizon costs 11,218 EUR, proved the cheapest: good enough\n"
        "to promise loads.\n"
    )
    assert "gap     none: proved the cheapest" in text
    assert "What cannot work" not in text


def test_the_answer_in_short_ends_with_the_sentence_and_names_loads_and_parts():
    made = whole()
    many = replace(
        made,
        findings=made.findings * 9,
        holds=made.holds * 4,
        plan=replace(made.plan, loads=tuple(
            replace(load, period=1) for load in made.plan.loads * 6 if load.period
        )),
    )  # fmt: skip
    text = shown(many, everything.scenario(), parts=())
    lines = text.splitlines()
    assert len(lines) <= 40 - 8  # the next steps have the rest of the screen
    assert max(len(line) for line in lines) <= 80
    assert "Loads of the first week" in text and "the first 3" in text
    assert any(load.load_id in text for load in made.plan.loads)
    assert all(part in text for part in PARTS)
    assert "8 more: bulkflow check lists them." in text
    assert "its failure costs up to 500 EUR" in text
    assert "Stock against floor and room" not in text
    assert text.rstrip().endswith((".", "look longer."))


def test_a_part_is_shown_alone_by_its_name():
    text = shown(whole(), everything.scenario(), parts=("stocks",))
    assert "Stock against floor and room" in text
    assert "Purchases" not in text and "Loads of the first week" not in text


def test_what_is_interrupted_or_unproved_says_so():
    result, scenario = tiny()
    proof = replace(result.plan.proof, interrupted=True, bound=-math.inf)
    text = shown(replace(result, plan=replace(result.plan, proof=proof)), scenario)
    assert "Interrupted: this is the best plan found until then." in text
    assert "none proved in the time given" in text
    assert "with no bound proved" in text


def test_what_was_repaired_is_a_line_of_the_proof():
    result, scenario = tiny()
    proof = replace(result.plan.proof, repairs=("2 whole numbers were changed",))
    text = shown(replace(result, plan=replace(result.plan, proof=proof)), scenario)
    assert "repaired  2 whole numbers were changed" in text
    assert "repaired" not in shown(result, scenario)


def test_a_failed_check_is_shouted():
    result, scenario = tiny()
    check = Check("fill", "tanks are full", (18,), False, 3.0, "load S1", 0.1, "LPA", 2, 1)
    text = shown(replace(result, report=CheckReport((check,))), scenario)
    assert "1 of 1 FAILED: fill" in text


def test_a_quarter_with_more_weeks_than_fit_is_set_in_blocks():
    made = everything.result()
    starts = made.plan.period_starts * 4
    long = replace(made, plan=replace(made.plan, quarter_periods=40, period_starts=starts))
    text = shown(long, everything.scenario())
    assert max(len(line) for line in text.splitlines()) <= 80
    assert " 38 39 40" in text


def test_periods_that_are_no_weeks_are_called_periods():
    result, scenario = tiny()
    calendar = scenario.calendar.model_copy(update={"period_days": 14})
    text = shown(result, scenario.model_copy(update={"calendar": calendar}))
    assert "Loads by period and lane" in text


# --- the difference of two plans --------------------------------------------------------------


def test_a_difference_fits_the_page_and_names_every_change():
    before, _ = tiny()
    loads = (by_hand.sea_load(1, 6500.0), by_hand.sea_load(3, 6600.0))
    after = replace(before, plan=replace(before.plan, loads=loads))
    out = io.StringIO()
    console = Console(file=out, width=80, color_system=None, highlight=False, markup=False)
    print_difference(compare_plans(before, after), console)
    text = out.getvalue()
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "0 loads as before, 1 on the same day with another amount, 1 moved, 0 added," in (
        " ".join(text.split())
    )
    for word in ("dropped", "moved", "amount", "6,400 to 6,500", "11 Jan", "18 Jan"):
        assert word in text


def test_a_hold_without_prices_says_what_depends_on_it():
    made = everything.result()
    hold = HoldCost("L-9", "DRY", "WORKS", "awaiting", 100.0, None, 2, "", ())
    text = shown(replace(made, holds=(hold,)), everything.scenario())
    assert "The plan counts on it from week 2; no load needs it." in text


def test_a_part_of_a_total_that_sales_eat_up_has_no_share():
    result, scenario = tiny()
    costs = replace(result.plan.costs, sales=11_200.0)
    text = shown(replace(result, plan=replace(result.plan, costs=costs)), scenario)
    (spirit,) = (line for line in text.splitlines() if line.startswith("spirit "))
    assert spirit.split()[:3] == ["spirit", "7,680", "-"]
    assert "%" not in next(line for line in text.splitlines() if line.startswith("sales "))


def test_shown_parts_of_the_cost_add_to_the_shown_total():
    result, scenario = tiny()
    costs = replace(result.plan.costs, capital=0.4, change=0.4, floors=0.4)
    lines = shown(replace(result, plan=replace(result.plan, costs=costs)), scenario).splitlines()
    start = lines.index("Cost over the horizon (EUR)")
    rows = [line.split() for line in lines[start + 3 :]]
    end = next(place for place, row in enumerate(rows) if row[:1] == ["total"])
    shown_parts = [int(row[1].replace(",", "")) for row in rows[:end] if len(row) > 1]
    assert sum(shown_parts) == int(rows[end][1].replace(",", "")) == round(costs.total)
