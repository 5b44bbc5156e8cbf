"""Limits that law and workspace ask by themselves, of the demo and of changes of it."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from bulkflow.plan.law import limits_of_law, stage_of
from bulkflow.scenario.model import Market, Scenario
from bulkflow.scenario.reader import read_workspace

DEMO = Path(__file__).parents[2] / "scenarios" / "vejkalna"


@pytest.fixture(scope="module")
def demo() -> Scenario:
    return read_workspace(DEMO).scenario


def figures(scenario: Scenario, liquid: str, **given: Any) -> dict[tuple[str | None, str], Any]:
    return {
        (one.market, one.analyte): one.maximum if one.maximum is not None else one.minimum
        for one in limits_of_law(scenario, **given)
        if one.liquid_id == liquid
    }


def changed(scenario: Scenario, liquid: str, **fields: Any) -> Scenario:
    liquids = [
        one.model_copy(update=fields) if one.id == liquid else one for one in scenario.liquids
    ]
    return scenario.model_copy(update={"liquids": tuple(liquids)})


def test_neutral_spirit_at_a_distillery_in_the_union(demo) -> None:
    """Reg (EU) 2019/787 Art 5 as amended by Delegated Reg (EU) 2022/1303."""
    assert figures(demo, "NS-CEREAL") == {
        (None, "ethyl acetate"): Decimal("1.3"), (None, "acetaldehyde"): Decimal("0.5"),
        (None, "higher alcohols"): Decimal("0.5"), (None, "methanol"): Decimal("30.0"),
        (None, "furfural"): Decimal("0.5"), (None, "strength"): Decimal("96.0"),
    }  # fmt: skip
    (one,) = {x.source for x in limits_of_law(demo) if x.analyte == "methanol"}
    assert "2019/787 Art 5" in one
    assert figures(demo, "VK-DRY") == {}  # no definition is stated for it


def test_an_older_day_has_the_older_list(demo) -> None:
    older = figures(demo, "NS-CEREAL", on=date(2022, 8, 14))
    assert older[None, "furfural"] == 0
    assert (None, "dry extract") in older


def test_a_british_market_adds_its_own_list(demo) -> None:
    """Retained Reg (EC) 110/2008 Annex I(1): for lots that are meant for it."""
    market = Market(id="UK", country="United Kingdom")
    more = demo.model_copy(update={"markets": (*demo.markets, market)})
    found = figures(more, "NS-CEREAL")
    assert found["UK", "dry extract"] == Decimal("1.5")
    assert found["UK", "furfural"] == 0
    assert ("UK", "methanol") not in found  # asked everywhere already


def test_london_gin_asks_the_neutral_and_the_distillate(demo) -> None:
    """Reg (EU) 2019/787 Annex I cat 22: methanol 5 g/hl, distillate 70 % vol."""
    london = changed(demo, "VK-DRY", definition="London gin")
    assert figures(london, "VK-DRY") == {(None, "strength"): Decimal("70.0")}
    asked = [x for x in limits_of_law(london) if x.analyte == "methanol" and x.maximum == 5]
    assert {x.liquid_id for x in asked} == {"NS-CEREAL", "NS-CANE"}  # let-down included


def test_a_stated_tolerance_of_strength_is_a_limit(demo) -> None:
    found = [
        x
        for x in limits_of_law(changed(demo, "VK-CIT", strength_tolerance_percent=0.4))
        if x.liquid_id == "VK-CIT"
    ]
    assert [(x.minimum, x.maximum) for x in found] == [(Decimal("78.6"), Decimal("79.4"))]


def test_stages(demo) -> None:
    assert [stage_of(demo, x) for x in ("NS-BEET", "VK-DRY", "FEINTS")] == [
        "neutral spirit", "distillate", None,
    ]  # fmt: skip
