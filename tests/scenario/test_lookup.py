"""What a row of demand means, and what is in force on a day."""

from datetime import date

import pytest

from bulkflow.scenario import read_workspace
from bulkflow.scenario.lookup import (
    demand_liquid,
    demand_lpa,
    demand_market,
    demand_priority,
    exchange_rate,
    lpa_per_case,
    tiers_in_force,
)
from bulkflow.scenario.model import DemandRow, ExchangeRateRow, PriceRow
from tests.scenario.broken import COAST


@pytest.fixture(scope="module")
def scenario():
    return read_workspace(COAST).scenario


@pytest.fixture(scope="module")
def products(scenario):
    return {product.id: product for product in scenario.products}


def test_cases_in_lpa_by_hand(scenario, products) -> None:
    # 6 bottles x 0.7 L x 41 % = 1.722 LPA bottled; 0.5 % is lost before: 1.722 / 0.995.
    assert lpa_per_case(products["DRY-70"]) == pytest.approx(1.730653266331658, rel=1e-15)
    assert demand_lpa(scenario.demand[2], products) == pytest.approx(1557.5879396984924, rel=1e-15)
    assert demand_lpa(scenario.demand[0], products) == 5200.0


def test_liquid_market_and_priority(scenario, products) -> None:
    sites = {site.id: site for site in scenario.sites}
    by_product, plain = scenario.demand[2], scenario.demand[0]
    assert demand_liquid(by_product, products) == "DRY"
    assert demand_liquid(plain, products) == "DRY"
    assert demand_market(plain, sites) == "ISLES"
    assert demand_market(plain.model_copy(update={"market": "ELSE"}), sites) == "ELSE"
    assert demand_priority(by_product, scenario.priorities) == "extra"
    bare = plain.model_copy(update={"priority": None})
    assert demand_priority(bare, scenario.priorities) == "core"


def test_a_row_that_asks_for_nothing_is_a_programmers_slip(products) -> None:
    row = DemandRow(site="QUAY", period_start=date(2027, 1, 4))
    with pytest.raises(ValueError, match="names a liquid or a product"):
        demand_liquid(row, products)
    with pytest.raises(ValueError, match="LPA of a liquid or cases"):
        demand_lpa(row, products)


@pytest.mark.parametrize(
    ("currency", "day", "rate"),
    [
        (None, date(2000, 1, 1), 1.0),
        ("EUR", date(2000, 1, 1), 1.0),
        ("NOK", date(2026, 12, 27), None),
        ("NOK", date(2026, 12, 28), 0.085),
        ("NOK", date(2027, 2, 1), 0.09),
        ("SEK", date(2027, 2, 1), None),
    ],
)
def test_exchange_rate_in_force(currency, day, rate) -> None:
    rows = [
        ExchangeRateRow(currency="NOK", first_day=date(2027, 2, 1), rate=0.09),
        ExchangeRateRow(currency="NOK", first_day=date(2026, 12, 28), rate=0.085),
        ExchangeRateRow(currency="EUR", first_day=date(1999, 1, 1), rate=7.0),
    ]
    assert exchange_rate(currency, "EUR", rows, day) == rate


def test_later_tiers_keep_their_difference(scenario) -> None:
    contract = scenario.suppliers[0].contracts[0]
    other = PriceRow(
        supplier="OTHER", liquid="GRAIN", first_day=date(2020, 1, 1), price_per_lpa=9.0
    )
    prices = [*scenario.prices, other]
    before = tiers_in_force("MILLTOWN", contract, prices, date(2027, 1, 31))
    after = tiers_in_force("MILLTOWN", contract, prices, date(2027, 2, 1))
    assert [tier.price_per_lpa for tier in before] == [0.9, 0.85]
    assert [tier.price_per_lpa for tier in after] == pytest.approx([0.93, 0.88])
    assert [tier.from_lpa for tier in after] == [0.0, 100000.0]
